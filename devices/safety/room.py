"""Whether a room has eyewear that fits everyone in it, for all that leaves the laser at a time.

A line is fired together with what accompanies it (a doubled beam with what is left of the other
wavelength), so one pair has to fit the whole of that. Another line may be fired with other pairs.
Staff and others need pairs; a patient may have opaque shields instead.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from devices.safety.eyewear import Lens, fits, shortfalls
from devices.safety.requirement import Requirement


@dataclass(frozen=True, slots=True)
class People:
    """Who is in the room: the operator with all others of the staff and company, and patients."""

    staff: int = 1
    patients: int = 1

    @property
    def all(self) -> int:
        """Everyone."""
        return self.staff + self.patients


@dataclass(frozen=True, slots=True)
class Firing:
    """What leaves the laser when a line is fired, and what that asks of eyewear.

    `untold` says why nothing can be asked: the tables do not reach so far.
    """

    fired_nm: int
    emitted_nm: tuple[int, ...]
    requirements: tuple[Requirement, ...] = ()
    untold: str = ""


@dataclass(frozen=True, slots=True)
class Kept:
    """Eyewear that is kept in or for the room. `unusable` says why it does not count, if so."""

    key: int
    label: str
    lens: Lens
    shield: bool = False
    unusable: str = ""


@dataclass(frozen=True, slots=True)
class Fit:
    """What fits a firing: pairs, shields, and pairs that would if they counted."""

    firing: Firing
    pairs: tuple[Kept, ...]
    shields: tuple[Kept, ...]
    would_fit: tuple[Kept, ...]


@dataclass(frozen=True, slots=True)
class Lacking:
    """A firing for which the room has not enough: at which wavelengths, and what would fit.

    `wavelengths_nm` are those that too few pairs stop; all that is emitted when each alone is
    stopped, but no pair stops them together.
    """

    fit: Fit
    people: People
    wavelengths_nm: tuple[int, ...]

    @property
    def needed(self) -> tuple[str, ...]:
        """What eyewear has to say at each wavelength that is emitted."""
        return tuple(one.text for one in self.fit.firing.requirements)

    @property
    def text(self) -> str:
        """One sentence on what is missing, and what would do."""
        firing = self.fit.firing
        if firing.untold:
            return f"What eyewear needs at {_listed(firing.emitted_nm)} cannot be told: " + (
                firing.untold
            )
        has = len(self.fit.pairs)
        shields = len(self.fit.shields)
        also = f" (and {shields} patient shields)" if shields else ""
        told = (
            f"For {_listed(self.wavelengths_nm)} the room has {has} fitting pairs{also} for "
            f"{self.people.staff} of staff and others and {self.people.patients} patients. "
            f"Needed on one pair: {'; '.join(self.needed)}."
        )
        if self.fit.would_fit:
            held_up = ", ".join(f"{one.label} ({one.unusable})" for one in self.fit.would_fit)
            told += f" These would fit, but do not count: {held_up}."
        return told


@dataclass(frozen=True, slots=True)
class RoomCheck:
    """What fits each firing, and where the room has not enough."""

    people: People
    fits: tuple[Fit, ...]
    lacking: tuple[Lacking, ...]

    @property
    def text(self) -> str:
        """What is missing, or nothing."""
        return " ".join(one.text for one in self.lacking)


def check_room(
    firings: Iterable[Firing], kept: Sequence[Kept], *, people: People, levels: bool = True
) -> RoomCheck:
    """Whether there is enough for every firing. `levels` False asks for OD alone."""
    found = tuple(_fit(firing, kept, levels=levels) for firing in firings)
    return RoomCheck(
        people=people,
        fits=found,
        lacking=tuple(_lacking(found, kept, people=people, levels=levels)),
    )


def _fit(firing: Firing, kept: Sequence[Kept], *, levels: bool) -> Fit:
    pairs = [
        one
        for one in kept
        if not one.shield and not firing.untold
        if fits(one.lens, firing.requirements, levels=levels)
    ]
    return Fit(
        firing=firing,
        pairs=tuple(one for one in pairs if not one.unusable),
        shields=tuple(one for one in kept if one.shield and not one.unusable),
        would_fit=tuple(one for one in pairs if one.unusable),
    )


def _lacking(
    found: Iterable[Fit], kept: Sequence[Kept], *, people: People, levels: bool
) -> Iterator[Lacking]:
    for fit in found:
        pairs, shields = len(fit.pairs), len(fit.shields)
        if pairs >= people.staff and pairs + min(shields, people.patients) >= people.all:
            continue
        short = tuple(
            round(need.wavelength_nm)
            for need in fit.firing.requirements
            if _stopping(need, kept, levels=levels) + min(shields, people.patients) < people.all
            or _stopping(need, kept, levels=levels) < people.staff
        )
        yield Lacking(fit, people, short or fit.firing.emitted_nm)


def _stopping(need: Requirement, kept: Sequence[Kept], *, levels: bool) -> int:
    """How many pairs that count stop one wavelength."""
    return sum(
        not one.shield and not one.unusable and not shortfalls(one.lens, [need], levels=levels)
        for one in kept
    )


def _listed(wavelengths_nm: Iterable[int]) -> str:
    return " and ".join(f"{nm} nm" for nm in wavelengths_nm)
