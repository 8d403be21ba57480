"""The erasure of one patient's personal data: asked for by a person, carried out by a worker."""

from courses.services.erasure.asking import erasure_ask
from courses.services.erasure.carrying_out import erasures_carry_out
from courses.services.erasure.personal import ERASED, FACTS, WORDS

__all__ = ["ERASED", "FACTS", "WORDS", "erasure_ask", "erasures_carry_out"]
