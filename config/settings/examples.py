"""Values in the examples of the OpenAPI document, by the name of a field; all of it is invented.

Of several the first that the schema allows.
"""

from typing import Any, Final

EXAMPLE_VALUES: Final[dict[str, tuple[Any, ...]]] = {
    "address": ("mira@example.org",),
    "area_cm2": (24.0,),
    "birth_date": ("1990-05-17",),
    "civil_hour": ("09:00",),
    "country": ("DE",),
    "cursor": (None,),
    "detail": ("What is wrong, and how to mend it.",),
    "family_name": ("Quillstone",),
    "from": ("20:00",),
    "given_name": ("Mira",),
    "language": ("en",),
    "limit": (50,),
    "name": ("Northgate",),
    "note": ("Agreed by telephone.",),
    "opens": ("09:00",),
    "closes": ("17:00",),
    "override_reason": ("Agreed with the patient.",),
    "password": ("copper-meadow-77",),
    "phone": ("+493023125017",),
    "quiet_from": ("20:00",),
    "quiet_until": ("08:00",),
    "reason": ("Asked for by the patient.",),
    "reference": ("N-2027-04", "fallow-message-17"),
    "serial": ("QS-1042",),
    "skin_type": (2,),
    "spot_mm": (4.0,),
    "subdivision": ("BE",),
    "time_zone": ("Europe/Berlin",),
    "until": ("08:00",),
    "user_name": ("mira.quillstone",),
    "version": (1,),
    "wavelengths_nm": (1064,),
    "wavelength_nm": (1064,),
}
