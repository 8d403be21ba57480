"""Chain, clinics and rooms in JSON."""

from decimal import Decimal
from typing import Any

from rest_framework import serializers

from clinics.api.fields import WavelengthsField, check_region, checked_phone
from clinics.api.serializers.shared import ROW, FixedFields
from clinics.models import Chain, Clinic, Room
from clinics.vocabulary import Role
from core.api.fields import TimeZoneField
from core.api.serializers import RowSerializer
from core.vocabulary import choices


class ChainSerializer(RowSerializer):
    """The caller's chain and its policies. A policy is replaced as a whole."""

    healing_policy = serializers.DictField(
        child=serializers.DictField(),
        required=False,
        help_text="Rule id -> parameter -> value; a rule may only be lengthened",
    )
    search_policy = serializers.DictField(
        required=False, help_text="Weights and steps of slot search, by name"
    )
    device_policy = serializers.DictField(
        required=False,
        help_text="Service and energy checks of lasers, by name; see /device-policy",
    )
    retention_policy = serializers.DictField(
        required=False,
        help_text="How long records and traces are kept, by name; see /retention-policy",
    )
    session_multiplier = serializers.DecimalField(
        max_digits=4,
        decimal_places=2,
        min_value=Decimal("0.1"),
        max_value=Decimal(3),
        required=False,
        help_text="Sessions per point of the six-parameter scale (published use: 1.0)",
    )
    holds_per_caller = serializers.IntegerField(
        min_value=1,
        max_value=1000,
        required=False,
        help_text="How many slots one caller may keep held at a time",
    )

    second_factor_roles = serializers.ListField(
        child=serializers.ChoiceField(choices=choices(Role)),
        required=False,
        max_length=len(Role),
        help_text="Roles that count only for who signed in with a second factor",
    )

    class Meta:
        model = Chain
        fields = (
            *ROW,
            "name",
            "healing_policy",
            "search_policy",
            "device_policy",
            "retention_policy",
            "session_multiplier",
            "holds_per_caller",
            "second_factor_roles",
        )
        read_only_fields = ("version", "name")


class ClinicSerializer(RowSerializer):
    """One place of the chain, with its own clock."""

    time_zone = TimeZoneField(help_text="IANA name")
    country = serializers.RegexField(
        r"^([A-Z]{2})?$",
        max_length=2,
        allow_blank=True,
        help_text="ISO 3166-1 alpha-2: whose public holidays it keeps; empty for none",
    )
    subdivision = serializers.CharField(
        max_length=8,
        allow_blank=True,
        required=False,
        help_text="The part after the dash of ISO 3166-2",
    )

    phone = serializers.CharField(
        max_length=40,
        allow_blank=True,
        required=False,
        help_text="Where patients call: with its country code, or as dialled in its country",
    )

    class Meta:
        model = Clinic
        fields = (*ROW, "name", "time_zone", "country", "subdivision", "phone", "active")
        read_only_fields = ("version",)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        attrs = super().validate(attrs)
        if "country" in attrs or "subdivision" in attrs:
            stored = (getattr(self.instance, name, "") for name in ("country", "subdivision"))
            country, subdivision = stored
            check_region(attrs.get("country", country), attrs.get("subdivision", subdivision))
        if attrs.get("phone"):
            country = attrs.get("country", getattr(self.instance, "country", ""))
            attrs["phone"] = checked_phone(attrs["phone"], country=country)
        return attrs


class RoomSerializer(FixedFields, RowSerializer):
    """A treatment room. `resource` is what reservations of the room name."""

    cleared_wavelengths_nm = WavelengthsField(
        help_text="Wavelengths it is cleared for; only a laser-controlled room has any"
    )

    class Meta:
        model = Room
        fields = (
            *ROW,
            "clinic",
            "resource",
            "name",
            "laser_controlled",
            "cleared_wavelengths_nm",
            "active",
        )
        read_only_fields = ("version", "resource")
        validators: tuple[()] = ()

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        attrs = super().validate(attrs)
        wanted = {"laser_controlled": True, "cleared_wavelengths_nm": []}
        stored = {name: getattr(self.instance, name, value) for name, value in wanted.items()}
        after = {**stored, **attrs}
        if after["cleared_wavelengths_nm"] and not after["laser_controlled"]:
            raise serializers.ValidationError(
                {"cleared_wavelengths_nm": "Only a laser-controlled room is cleared for any."}
            )
        return attrs
