"""Slots and reasons as JSON-ready values, for answers and for refusals."""

from typing import Any

from courses.slots.answer import Reason, Slot


def reason_json(reason: Reason) -> dict[str, Any]:
    """Code, sentence and facts."""
    return {"code": reason.code, "detail": reason.detail, "data": dict(reason.data)}


def slot_json(slot: Slot) -> dict[str, Any]:
    """A slot with the parts of its score; instants in RFC 3339."""
    return {
        "start": slot.start.isoformat(),
        "end": slot.end.isoformat(),
        "clinic": slot.clinic_id,
        "room": slot.room_id,
        "operator": slot.operator_id,
        "laser": slot.laser_id,
        "handpieces": list(slot.handpiece_ids),
        "wavelengths_nm": list(slot.wavelengths_nm),
        "serves": [{"need": one.key, "wavelength_nm": one.wavelength_nm} for one in slot.served],
        "left_out": list(slot.left_out),
        "score": round(slot.score, 4),
        "score_parts": [
            {"name": part.name.value, "value": round(part.value, 4), "weight": part.weight}
            for part in slot.parts
        ],
        "reasons": [reason_json(reason) for reason in slot.reasons],
    }
