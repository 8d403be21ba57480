"""Instants with an offset, zones by name, ranges as start and end, and only the caller's rows."""

from datetime import UTC, date, datetime
from types import SimpleNamespace

import pytest
from django.contrib.postgres.fields import DateRangeField, DateTimeRangeField
from django.db import models
from rest_framework import serializers

from core.api.fields import (
    AwareDateTimeField,
    DayField,
    TimeZoneField,
    VisibleRelatedField,
    VisibleRowsField,
    zone_names,
)
from core.api.serializers import PeriodSerializer, SpanIn, ValidDatesSerializer, span_of
from tests.core.benches import Bench, Part

NOW = datetime(2027, 3, 1, 9, tzinfo=UTC)


class Closing(models.Model):  # noqa: DJ008
    period = DateTimeRangeField()

    class Meta:
        app_label = "benches"


class Rule(models.Model):  # noqa: DJ008
    valid_during = DateRangeField()

    class Meta:
        app_label = "benches"


class ClosingShown(PeriodSerializer):
    class Meta:
        model = Closing
        fields = ("start", "end")


class RuleShown(ValidDatesSerializer):
    class Meta:
        model = Rule
        fields = ("valid_from", "valid_until")


class TestInstants:
    @pytest.mark.parametrize(
        "text",
        ["2027-03-01T10:00:00+01:00", "2027-03-01T09:00:00Z", "2027-02-28T23:00:00-10:00"],
    )
    def test_are_kept_in_utc(self, text):
        value = AwareDateTimeField().run_validation(text)
        assert (value, value.tzinfo) == (NOW, UTC)

    @pytest.mark.parametrize(
        ("text", "code"),
        [
            ("2027-03-01T10:00:00", "naive"),
            ("2027-03-01 10:00", "naive"),
            ("2027-03-01", "naive"),
            ("tomorrow", "invalid"),
            ("0001-01-01T00:00:00+14:00", "overflow"),
            ("9999-12-31T23:59:59-12:00", "overflow"),
            ("1899-12-31T23:59:59Z", "overflow"),
            ("2200-01-01T00:00:00Z", "overflow"),
            (17, "invalid"),
        ],
    )
    def test_others_are_refused(self, text, code):
        with pytest.raises(serializers.ValidationError) as raised:
            AwareDateTimeField().run_validation(text)
        assert raised.value.detail[0].code == code

    def test_a_naive_one_is_told_what_to_send(self):
        with pytest.raises(serializers.ValidationError, match="offset from UTC"):
            AwareDateTimeField().run_validation("2027-03-01T10:00:00")

    def test_are_shown_with_z(self):
        assert AwareDateTimeField().to_representation(NOW) == "2027-03-01T09:00:00Z"


class TestDays:
    @pytest.mark.parametrize("text", ["1900-01-01", "2199-12-31"])
    def test_of_living_people_count(self, text):
        assert DayField().run_validation(text) == date.fromisoformat(text)

    @pytest.mark.parametrize("text", ["0001-01-01", "1899-12-31", "2200-01-01", "9999-12-31"])
    def test_others_leave_the_calendar(self, text):
        with pytest.raises(serializers.ValidationError) as raised:
            DayField().run_validation(text)
        assert raised.value.detail[0].code == "overflow"


class TestZones:
    @pytest.mark.parametrize("name", ["Europe/Berlin", "America/Argentina/Ushuaia", "UTC"])
    def test_places_count(self, name):
        assert TimeZoneField().run_validation(name) == name

    @pytest.mark.parametrize(
        "name", ["Berlin", "Etc/GMT+1", "EST", "", "../etc/passwd", "localtime"]
    )
    def test_others_do_not(self, name):
        with pytest.raises(serializers.ValidationError):
            TimeZoneField().run_validation(name)

    def test_there_are_hundreds(self):
        assert len(zone_names()) > 400


class TestSpans:
    def test_end_after_start(self):
        given = {"start": "2027-03-01T09:00:00Z", "end": "2027-03-01T10:30:00+01:00"}
        form = SpanIn(data=given)
        assert form.is_valid()
        assert span_of(form.validated_data).duration.total_seconds() == 1800

    @pytest.mark.parametrize("end", ["2027-03-01T09:00:00Z", "2027-03-01T09:30:00+01:00"])
    def test_an_empty_or_backward_one_is_refused_at_its_end(self, end):
        form = SpanIn(data={"start": "2027-03-01T09:00:00Z", "end": end})
        assert not form.is_valid()
        assert set(form.errors) == {"end"}


class TestRanges:
    def test_a_period_is_shown_as_start_and_end(self):
        form = ClosingShown(data={"start": "2027-03-01T09:00:00Z", "end": "2027-03-02T09:00:00Z"})
        assert form.is_valid(), form.errors
        period = form.validated_data["period"]
        assert (period.lower, period.upper) == (NOW, NOW.replace(day=2))
        assert (period.lower_inc, period.upper_inc) == (True, False)
        assert ClosingShown(Closing(period=period)).data == {
            "start": "2027-03-01T09:00:00Z",
            "end": "2027-03-02T09:00:00Z",
        }

    @pytest.mark.parametrize("more", [{}, {"valid_until": None}])
    def test_without_an_end_it_is_open(self, more):
        form = RuleShown(data={"valid_from": "2027-03-01", **more})
        assert form.is_valid(), form.errors
        valid = form.validated_data["valid_during"]
        assert (valid.lower, valid.upper) == (date(2027, 3, 1), None)
        shown = RuleShown(Rule(valid_during=valid)).data
        assert shown == {"valid_from": "2027-03-01", "valid_until": None}

    def test_a_change_of_one_end_keeps_the_other(self):
        form = RuleShown(data={"valid_from": "2027-03-01", "valid_until": "2027-04-01"})
        assert form.is_valid()
        rule = Rule(**form.validated_data)
        change = RuleShown(rule, data={"valid_until": "2027-05-01"}, partial=True)
        assert change.is_valid()
        assert change.validated_data["valid_during"].lower == date(2027, 3, 1)
        assert change.validated_data["valid_during"].upper == date(2027, 5, 1)
        wrong = RuleShown(rule, data={"valid_until": "2027-02-01"}, partial=True)
        assert not wrong.is_valid()
        assert set(wrong.errors) == {"valid_until"}

    def test_the_start_is_needed(self):
        form = RuleShown(data={"valid_until": "2027-03-01"})
        assert not form.is_valid()
        assert set(form.errors) == {"valid_from"}


class PartIn(serializers.ModelSerializer):
    serializer_related_field = VisibleRelatedField

    class Meta:
        model = Part
        fields = ("bench",)


def test_a_row_of_another_chain_does_not_exist_for_the_caller(benches):
    mine = Bench.objects.create(name="oak", stands_since=NOW, chain_id=1)
    theirs = Bench.objects.create(name="elm", stands_since=NOW, chain_id=2)
    request = SimpleNamespace(actor=SimpleNamespace(chain_id=1))

    def errors(pk: int) -> list:
        form = PartIn(data={"bench": pk}, context={"request": request})
        form.is_valid()
        return [detail.code for detail in form.errors.get("bench", [])]

    assert errors(mine.pk) == []
    assert errors(theirs.pk) == errors(0) == ["does_not_exist"]


class PartsIn(serializers.Serializer):
    benches = VisibleRowsField(queryset=Bench.objects.all(), max_length=50)


def test_many_rows_cost_one_query_and_unseen_ones_are_named(benches, django_assert_num_queries):
    mine = [Bench.objects.create(name=f"oak {n}", stands_since=NOW, chain_id=1) for n in range(20)]
    theirs = Bench.objects.create(name="elm", stands_since=NOW, chain_id=2)
    request = SimpleNamespace(actor=SimpleNamespace(chain_id=1))

    def form(keys: list) -> PartsIn:
        made = PartsIn(data={"benches": keys}, context={"request": request})
        made.is_valid()
        return made

    keys = [mine[2].pk, mine[0].pk, str(mine[2].pk)]
    assert form(keys).validated_data["benches"] == [mine[2], mine[0], mine[2]]
    with django_assert_num_queries(1):
        assert not form([one.pk for one in mine]).errors
    with django_assert_num_queries(1):
        refused = form([mine[0].pk, theirs.pk]).errors["benches"]
    assert {n: error.code for n, [error] in refused.items()} == {1: "does_not_exist"}
    for wrong in (1.5, True, "x", None, 0, 2**70):
        assert form([wrong]).errors
