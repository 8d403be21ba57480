"""Whether a room has eyewear for everyone: counting pairs, shields, and what leaves at once."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from devices import safety as s

NS = 1e-9
NEEDS = {
    nm: s.worst_requirement(s.Emission(nm, 6 * NS, 8 * NS, 2, 1.0, 10)) for nm in (532, 755, 1064)
}
DOUBLED = s.Firing(532, (532, 1064), (NEEDS[532], NEEDS[1064]))
ALONE = s.Firing(755, (755,), (NEEDS[755],))


def pair(*nms, unusable="", key=0):
    marks = tuple(s.read_mark(f"{nm} DIRM LB10") for nm in nms)
    return s.Kept(key, f"pair {key}", s.Lens(marks=marks), unusable=unusable)


def shield():
    return s.Kept(0, "shields", s.Lens(), shield=True)


def lacking(firings, kept, staff=1, patients=1):
    check = s.check_room(firings, kept, people=s.People(staff, patients))
    return [one.wavelengths_nm for one in check.lacking]


@pytest.mark.parametrize(
    ("kept", "expected"),
    [
        ([], [(532, 1064)]),
        ([pair(532, 1064)], [(532, 1064)]),
        ([pair(532, 1064), pair(532, 1064)], []),
        ([pair(532, 1064), shield()], []),
        ([shield(), shield()], [(532, 1064)]),
        ([pair(532, 1064), pair(532)], [(1064,)]),
        ([pair(532), pair(532), pair(1064), pair(1064)], [(532, 1064)]),
        ([pair(532, 1064), pair(532, 1064, unusable="damaged")], [(532, 1064)]),
    ],
)
def test_what_leaves_at_once_is_stopped_by_one_pair(kept, expected):
    assert lacking([DOUBLED], kept) == expected


def test_another_line_may_have_other_pairs():
    kept = [pair(532, 1064), pair(755), shield()]
    assert lacking([DOUBLED, ALONE], kept) == []
    assert lacking([DOUBLED, ALONE], kept[:1] + kept[2:]) == [(755,)]


def test_what_cannot_be_told_has_nothing_that_fits():
    untold = s.Firing(2940, (2940,), untold="the tables end at 1400 nm")
    check = s.check_room([untold], [pair(532, 755, 1064), shield()], people=s.People())
    assert "cannot be told" in check.text


@given(st.integers(1, 5), st.integers(0, 2), st.integers(0, 8), st.integers(0, 3))
def test_enough_is_a_pair_for_each_and_shields_for_patients_alone(staff, patients, pairs, shields):
    kept = [pair(755) for _ in range(pairs)] + [shield() for _ in range(shields)]
    enough = pairs >= staff and pairs + min(shields, patients) >= staff + patients
    assert (lacking([ALONE], kept, staff, patients) == []) is enough
