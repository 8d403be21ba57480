import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as st_numpy

from courses.slots import multi_pass
from courses.slots.windows import CellTimeline, runs, starts
from courses.vocabulary import TreatmentRole

rows = st_numpy.arrays(np.bool_, st.tuples(st.integers(1, 3), st.integers(1, 60)))
parts = st.lists(st.integers(0, 12), min_size=2, max_size=6, unique=True).map(
    lambda marks: tuple(zip(*[iter(sorted(marks)[: len(marks) // 2 * 2])] * 2, strict=True))
)


@given(rows=rows, length=st.integers(1, 70))
def test_run_starts_where_all_its_cells_are_true(rows, length):
    found = runs(rows, length)
    for row, line in zip(rows, found, strict=True):
        expected = [
            at + length <= len(row) and bool(row[at : at + length].all()) for at in range(len(row))
        ]
        assert line.tolist() == expected


@given(rows=rows, parts=parts)
def test_parts_start_where_each_is_true(rows, parts):
    found = starts(rows, parts)
    for row, line in zip(rows, found, strict=True):
        expected = [
            all(
                at + end <= len(row) and bool(row[at + begin : at + end].all())
                for begin, end in parts
            )
            for at in range(len(row))
        ]
        assert line.tolist() == expected


def test_segments_keep_every_cell_that_they_touch():
    timeline = CellTimeline.of(multi_pass([7, 7], wait_minutes=20))
    assert timeline.parts[TreatmentRole.LASER] == ((0, 2), (5, 7))
    assert timeline.total == 7
