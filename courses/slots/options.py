"""Which laser with which handpieces could emit what the ink needs, and how well it serves it."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, product

from courses.slots.answer import Served
from courses.slots.candidates import ClinicCandidates, HandpieceCandidate, LaserCandidate
from courses.slots.grid import Grid
from courses.slots.request import InkNeed

SECOND_CHOICE = 0.8


@dataclass(frozen=True, slots=True)
class InkPlan:
    """A set of wavelengths (nm) used in one visit, and what it does for the needs.

    `ink` is the share of the visible area served, each rank below the best alternative counting
    a fifth less; 0..1.
    """

    wavelengths_nm: frozenset[int]
    served: tuple[Served, ...]
    left_out: tuple[str, ...]
    ink: float


@dataclass(frozen=True, slots=True)
class DeviceOption:
    """A laser and the handpieces (positions in the clinic's lists) that carry out an ink plan."""

    laser: int
    handpieces: tuple[int, ...]
    plan: InkPlan


@lru_cache(maxsize=4096)
def ink_plans(needs: tuple[InkNeed, ...], emitted_nm: frozenset[int]) -> tuple[InkPlan, ...]:
    """Every set of emitted wavelengths that meets all required needs and has no idle member.

    Best first. Empty when a required need cannot be met, or no need at all.
    """
    useful = sorted(emitted_nm & {nm for need in needs for nm in need.wavelengths_nm})
    plans = []
    for size in range(1, len(useful) + 1):
        for chosen in combinations(useful, size):
            plan = _plan(needs, frozenset(chosen))
            if plan is not None:
                plans.append(plan)
    return tuple(sorted(plans, key=lambda plan: (-plan.ink, sorted(plan.wavelengths_nm))))


def device_options(
    needs: tuple[InkNeed, ...],
    *,
    lasers: Sequence[LaserCandidate],
    handpieces: Sequence[HandpieceCandidate],
    grid: Grid,
    any_fitting: bool = False,
) -> list[DeviceOption]:
    """Every laser with each least set of handpieces that emits an ink plan.

    Only handpieces fitted to the laser at some time of the grid count; `any_fitting` asks what
    could be if handpieces were fitted as needed.
    """
    options: list[DeviceOption] = []
    for number, laser in enumerate(lasers):
        carriers = {
            index: handpiece.wavelengths_nm & laser.wavelengths_nm
            for index, handpiece in enumerate(handpieces)
            if any_fitting or is_ever_fitted(handpiece, laser_id=laser.id, grid=grid)
        }
        emitted = frozenset().union(*carriers.values())
        for plan in ink_plans(needs, emitted):
            options += [
                DeviceOption(number, cover, plan)
                for cover in least_covers(plan.wavelengths_nm, carriers)
            ]
    return options


def best_ink(needs: tuple[InkNeed, ...], *, clinic: ClinicCandidates, grid: Grid) -> float:
    """How much of the ink the best laser at a clinic serves, whenever it is free; 0..1."""
    options = device_options(needs, lasers=clinic.lasers, handpieces=clinic.handpieces, grid=grid)
    return max((option.plan.ink for option in options), default=0.0)


def is_ever_fitted(handpiece: HandpieceCandidate, *, laser_id: int, grid: Grid) -> bool:
    """Whether the handpiece is fitted to the laser at some time within the grid."""
    return any(
        fitting.laser_id == laser_id
        and fitting.start < grid.end
        and (fitting.end is None or fitting.end > grid.start)
        for fitting in handpiece.fitted
    )


def least_covers(
    wavelengths_nm: Iterable[int], carriers: dict[int, frozenset[int]]
) -> list[tuple[int, ...]]:
    """Sets of carriers that together pass all wavelengths, none with a member to spare."""
    choices = [[index for index, lines in carriers.items() if nm in lines] for nm in wavelengths_nm]
    covers = {frozenset(chosen) for chosen in product(*choices)}
    return sorted(
        tuple(sorted(cover)) for cover in covers if not any(other < cover for other in covers)
    )


def _plan(needs: tuple[InkNeed, ...], chosen: frozenset[int]) -> InkPlan | None:
    served, left_out, used = [], [], set()
    value = total = 0.0
    for need in needs:
        total += need.share
        rank = next((i for i, nm in enumerate(need.wavelengths_nm) if nm in chosen), None)
        if rank is None:
            if need.required:
                return None
            left_out.append(need.key)
            continue
        used.add(need.wavelengths_nm[rank])
        served.append(Served(need.key, need.wavelengths_nm[rank]))
        value += need.share * SECOND_CHOICE**rank
    if used != chosen:
        return None
    ink = value / total if total else 1.0
    return InkPlan(chosen, tuple(served), tuple(left_out), ink)
