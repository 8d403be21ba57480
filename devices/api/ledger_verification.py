"""Whether a laser's ledger is what was written, over HTTP."""

from typing import Any, Final

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.fields import AwareDateTimeField
from core.api.filters import parsed_query
from core.api.serializers import ComputedOut
from core.api.views import FallowView
from core.vocabulary import choices
from devices.api.computed import CAUTION, LEDGER_CHAIN
from devices.api.fields import HexField
from devices.errors import LaserUnknown
from devices.hashchain import Break, Head
from devices.models import Laser
from devices.selectors.ledger_chain import verify_chains
from devices.vocabulary import LedgerBreak

SAID: Final = {
    LedgerBreak.ENTRY_MISSING: "An entry is missing at this place.",
    LedgerBreak.ENTRY_ADDED: "This place has more than one entry.",
    LedgerBreak.CONTENT_CHANGED: "The entry is not what its digest was made of.",
    LedgerBreak.PREVIOUS_DIFFERS: "The entry before is another than it was then.",
    LedgerBreak.HEAD_DIFFERS: "The chain was written anew: the digest that was noted is another.",
    LedgerBreak.TAIL_MISSING: "The ledger ends before an entry whose digest was noted.",
}
LIMITS: Final = (
    "Who owns the tables can switch their guards off. A change then shows here, and so does a "
    "tail cut off before a head that was noted; entries after the last noted head are sure only "
    "by a head that is kept elsewhere. Keep `head`, and give it as `sequence` and `digest`."
)


class NotedHeadQuery(serializers.Serializer[Any]):
    """A head noted elsewhere: both, or neither."""

    sequence = serializers.IntegerField(required=False, min_value=1, max_value=2**62)
    digest = serializers.RegexField(r"\A[0-9a-fA-F]{64}\Z", required=False, help_text="In hex")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if len(attrs) == 1:
            missing = "digest" if "sequence" in attrs else "sequence"
            raise serializers.ValidationError({missing: "Give sequence and digest together."})
        return attrs


class LedgerHeadOut(serializers.Serializer[Any]):
    """An entry's place and digest; the last one stands for the whole chain."""

    sequence = serializers.IntegerField()
    digest = HexField()


class LedgerBreakOut(serializers.Serializer[Any]):
    """The first place where the chain is not what was written."""

    sequence = serializers.IntegerField(help_text="Place in the chain")
    kind = serializers.ChoiceField(choices=choices(LedgerBreak))
    entry = serializers.IntegerField(allow_null=True, help_text="Null: no entry stands there")
    expected = HexField(allow_null=True)
    found = HexField(allow_null=True)
    detail = serializers.SerializerMethodField()

    def get_detail(self, found: Break) -> str:
        return SAID[found.kind]


class LedgerVerificationOut(ComputedOut):
    """A laser's whole chain, checked to its end."""

    laser = serializers.IntegerField()
    verified_at = AwareDateTimeField()
    holds = serializers.BooleanField()
    entries = serializers.IntegerField()
    head = LedgerHeadOut(allow_null=True)
    first_break = LedgerBreakOut(allow_null=True)
    limits = serializers.CharField(help_text="What this cannot show")


class LedgerVerification(FallowView):
    """The chain of digests through a laser's pulse entries."""

    policy = {"get": "ledger.verify"}
    extra_query_params = ("sequence", "digest")

    @extend_schema(
        parameters=[NotedHeadQuery],
        responses=LedgerVerificationOut,
        summary="Verify a laser's ledger",
    )
    def get(self, request: Request, pk: int) -> Response:
        """Compute every digest of the laser's ledger anew and name the first break.

        For the laser safety officer, the chain manager and integrators. With a head that was
        noted elsewhere (`sequence`, `digest`) a tail cut off since is missed too.
        """
        if not Laser.objects.visible_to(self.actor).filter(pk=pk).exists():
            raise LaserUnknown(laser=pk)
        asked = parsed_query(NotedHeadQuery, request)
        noted = [Head(asked["sequence"], bytes.fromhex(asked["digest"]))] if asked else []
        [seen] = verify_chains([pk], noted={pk: noted})
        answer = {
            "laser": pk,
            "verified_at": self.now(),
            "holds": seen.first_break is None,
            "entries": seen.entries,
            "head": seen.head,
            "first_break": seen.first_break,
            "limits": LIMITS,
            "basis": [LEDGER_CHAIN],
            "caution": CAUTION,
        }
        return self.show(LedgerVerificationOut, answer)
