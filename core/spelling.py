"""Names found by their beginnings, whatever their capitals and accents, by a look at an index.

A column that PostgreSQL keeps from the name: in capitals, without accents, sorted by its bytes.
What begins with some letters is then a span of it. Only comparisons may use an index below
row-level security: `upper` and `LIKE` are not marked leakproof in PostgreSQL, `>=` and `<` are.
"""

from typing import Any, Final

from django.db import models
from django.db.models import Expression, F, Func, Q, Value
from django.db.models.functions import Concat, Upper

ACCENTS: Final = "[\u0300-\u036f]"
"""Combining marks that a decomposed letter carries (Unicode block 0300 to 036F)."""
LAST: Final = "\U0010ffff"
"""Sorts after everything that goes on."""


def spelling(name: Expression | F | Value) -> Expression:
    """A name as it is compared: in capitals, without accents."""
    letters = Func(
        name, template="NORMALIZE(%(expressions)s, NFD)", output_field=models.TextField()
    )
    bare = Func(
        letters,
        Value(ACCENTS),
        Value(""),
        Value("g"),
        function="REGEXP_REPLACE",
        output_field=models.TextField(),
    )
    return Upper(bare)


class SpellingField(models.GeneratedField):
    """The column beside `name` that PostgreSQL fills."""

    def __init__(self, name: str, **_: Any) -> None:
        self.name_field = name
        super().__init__(
            expression=spelling(F(name)),
            output_field=models.TextField(db_collation="C"),
            db_persist=True,
        )

    def deconstruct(self) -> tuple[str, str, list[Any], dict[str, Any]]:
        """What a migration needs to make it again."""
        name, path, _, _ = super().deconstruct()
        return name, path, [self.name_field], {}


def begins_with(column: str, letters: str) -> Q:
    """Rows whose name begins so; `column` is a `SpellingField`."""
    start = spelling(Value(letters))
    return Q((f"{column}__gte", start), (f"{column}__lt", Concat(start, Value(LAST))))
