"""All that is kept about one patient, for the patient."""

# ruff: noqa: SLF001 - the framework documents `_meta` as open to everyone

from datetime import datetime
from typing import Any

from django.apps import apps

from clinics.models import Change, RecordRead
from clinics.querysets import HasChain
from core.history import subject_lookup
from courses.errors import PatientUnknown
from courses.models import Patient


def patient_export(*, patient_id: int, actor: HasChain, now: datetime) -> dict[str, Any]:
    """Every row of the patient's record, by kind, with its history and who has read it.

    Which tables belong to a record their foreign keys say, so that a new one is never forgotten.
    One query for each. Raises PatientUnknown.
    """
    if not Patient.objects.visible_to(actor).filter(pk=patient_id).exists():
        raise PatientUnknown(patient=patient_id)
    records = {}
    for model in apps.get_app_config("courses").get_models(include_auto_created=True):
        lookup = subject_lookup(model, "patient")
        if lookup is not None:
            rows = model._base_manager.filter(**{lookup: patient_id}).order_by("pk")
            records[str(model._meta.model_name)] = list(rows.values())
    return {
        "patient": patient_id,
        "exported_at": now,
        "records": records,
        "changes": list(Change.objects.filter(patient_id=patient_id).order_by("id").values()),
        "reads": list(RecordRead.objects.filter(patient_id=patient_id).order_by("id").values()),
    }
