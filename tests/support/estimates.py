"""Assessments made up for tests."""

from courses.science.estimate.inputs import Assessment, EstimateRequest
from courses.science.fading.inputs import Part
from courses.vocabulary import BodySite, InkAmount, InkColour, SkinType, Technique


def assessment(**changes):
    """A black professional tattoo of one part on the upper trunk: score 8 by default."""
    values = {
        "skin_type": SkinType.II,
        "site": BodySite.UPPER_TRUNK,
        "area_cm2": 24.0,
        "parts": [part()],
        "ink_amount": InkAmount.MODERATE,
    }
    return Assessment(**(values | changes))


def part(key="black", colour=InkColour.BLACK, technique=Technique.SOLID_FILL, share=1.0, **more):
    """A part of a tattoo."""
    return Part(key=key, colour=colour, technique=technique, share=share, **more)


def request(*, goal=None, **changes):
    """A request; keywords of the assessment and of the request may be mixed."""
    fields = EstimateRequest.__dataclass_fields__
    own = {key: value for key, value in changes.items() if key in fields}
    seen = {key: value for key, value in changes.items() if key not in fields}
    if goal is not None:
        own["goal"] = goal
    return EstimateRequest(assessment=assessment(**seen), **own)
