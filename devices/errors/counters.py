"""What counters, their readings, differences and imports refuse."""

from core.errors import Conflict, Malformed, NotFound, Refused


class CounterUnknown(NotFound):
    """No such counter in the caller's chain."""

    code = "counter_unknown"
    title = "No such counter"


class CounterTaken(Conflict):
    """The device has a counter of this kind and name."""

    code = "counter_taken"
    title = "The device has this counter already"


class CounterInactive(Refused):
    """The counter is no longer read."""

    code = "counter_inactive"
    title = "The counter is no longer in use"


class CapacityInUse(Refused):
    """Readings stand that another capacity would make impossible."""

    code = "counter_capacity_in_use"
    title = "Readings stand that this capacity would make impossible"


class CounterUnitDiffers(Refused):
    """The reading is in another unit than the counter shows."""

    code = "counter_unit_differs"
    title = "The counter shows another unit"


class CounterBackwards(Refused):
    """A counter never runs backwards."""

    code = "counter_backwards"
    title = "A counter does not run backwards"


class CounterValueImpossible(Refused):
    """The counter cannot show this; `rule` says why."""

    code = "counter_value_impossible"
    title = "The counter cannot show this"


class CounterTooFast(Refused):
    """More pulses than the lines can fire in the time between two readings."""

    code = "counter_too_fast"
    title = "So many pulses cannot have been fired in that time"


class PartRecordMissing(Refused):
    """A counter starts anew only when a part record says that it was replaced."""

    code = "part_record_missing"
    title = "A counter that starts anew needs the record of the part that was replaced"


class ReadingUnknown(NotFound):
    """No such reading in the caller's chain."""

    code = "counter_reading_unknown"
    title = "No such reading"


class ReadingTaken(Conflict):
    """The counter has a reading at this instant."""

    code = "counter_reading_taken"
    title = "The counter was read at this instant already"


class ReadingCorrected(Conflict):
    """The reading was corrected before: correct the row that stands."""

    code = "counter_reading_corrected"
    title = "The reading was corrected before"


class DifferenceUnknown(NotFound):
    """No such difference in the caller's chain."""

    code = "counter_difference_unknown"
    title = "No such difference"


class DifferenceOver(Conflict):
    """The difference is closed."""

    code = "counter_difference_over"
    title = "The difference is closed"


class DifferenceUnexplained(Refused):
    """A difference is closed with an explanation."""

    code = "counter_difference_unexplained"
    title = "The difference has no explanation yet"


class CorrectionElsewhere(Refused):
    """The entry is no correction of pulses in this span."""

    code = "correction_elsewhere"
    title = "The entry corrects nothing in this span"


class LayoutMalformed(Malformed):
    """No file could be read with this layout."""

    code = "counter_layout_malformed"
    title = "No file could be read with this layout"


class LayoutUnknown(NotFound):
    """No such layout in the caller's chain."""

    code = "counter_layout_unknown"
    title = "No such layout"


class LayoutTaken(Conflict):
    """The chain has a layout of this name."""

    code = "counter_layout_taken"
    title = "A layout of this name exists"


class ImportRefused(Refused):
    """Rows of the file are wrong; nothing of it is stored. `rows` lists them."""

    code = "counter_import_refused"
    title = "Rows of the file are wrong; nothing was stored"


class ImportRepeated(Conflict):
    """The very same file was taken in before."""

    code = "counter_import_repeated"
    title = "This file was imported before"
