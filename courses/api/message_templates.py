"""The chain's own words for messages: versions, a preview, and ours beside them."""

from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.idempotency import idempotent
from core.api.schema import UNCONDITIONAL
from core.api.views import FallowView
from core.api.viewsets import ListMixin, RetrieveMixin
from core.vocabulary import choices
from courses.api.patients import LANGUAGE
from courses.channels import (
    KIND,
    MAY,
    MUST,
    SmsAlphabet,
    TextFacts,
    Wording,
    flaws,
    languages_for,
    longest,
    sms_length,
    text_for,
    wording_in,
)
from courses.models import MessageTemplate
from courses.selectors.recalls.policies import cadence_in_force
from courses.selectors.recalls.templates import own_wordings
from courses.services.recalls.templates import message_template_set
from courses.vocabulary import Channel, RecallKind

SAMPLE_LINK: Final = "https://clinic.example/r/0000-AAAAAAAAAAAAAAAAAAAAAA"


class WordsIn(serializers.Serializer[Any]):
    """Words with places such as $given_name; which there are stands at `/message-texts`."""

    name = serializers.CharField(max_length=40, help_text="Which text: see `/message-texts`")
    language = serializers.RegexField(LANGUAGE, max_length=8, default="en")
    subject = serializers.CharField(max_length=200)
    body = serializers.CharField(max_length=5000)
    short = serializers.CharField(max_length=900, help_text="The same for a text message")

    def validate_name(self, name: str) -> str:
        """Only a text that is sent."""
        if name not in MAY:
            raise serializers.ValidationError(f"There are {', '.join(sorted(MAY))}.")
        return name


class MessageTemplateIn(WordsIn):
    """New words, made from the version with the number `based_on`."""

    based_on = serializers.IntegerField(min_value=0, default=0, help_text="0: there is none yet")


class MessageTemplateOut(serializers.ModelSerializer[MessageTemplate]):
    """A version of the chain's own words. The highest number counts."""

    class Meta:
        model = MessageTemplate
        fields = (
            "id",
            "name",
            "language",
            "number",
            "subject",
            "body",
            "short",
            "withdrawn",
            "set_by",
            "set_at",
        )
        read_only_fields = fields


class SmsLengthOut(serializers.Serializer[Any]):
    """Segments by 3GPP TS 23.038; `odd` are the characters that make it UCS-2."""

    alphabet = serializers.ChoiceField(choices=choices(SmsAlphabet))
    units = serializers.IntegerField()
    segments = serializers.IntegerField()
    odd = serializers.ListField(child=serializers.CharField())


class TextPreviewOut(serializers.Serializer[Any]):
    """A text as a patient would get it, with invented facts."""

    subject = serializers.CharField()
    body = serializers.CharField()
    short = serializers.CharField()
    short_length = SmsLengthOut()
    longest_length = SmsLengthOut(help_text="With the longest facts that are usual")


class TextFlawOut(serializers.Serializer[Any]):
    """What is wrong with the words."""

    part = serializers.CharField()
    code = serializers.CharField()
    detail = serializers.CharField()


class WordsPreviewOut(serializers.Serializer[Any]):
    """Either a preview, or what is wrong."""

    flaws = TextFlawOut(many=True)
    preview = TextPreviewOut(allow_null=True)


class MessageTextOut(serializers.Serializer[Any]):
    """A text that is sent now: whose words they are, and what they may and must speak of."""

    name = serializers.CharField()
    kind = serializers.ChoiceField(
        choices=choices(RecallKind), help_text="Steps of this kind may name it"
    )
    language = serializers.CharField(
        help_text="The first with words: the one asked for (de-AT, then de), the recall policy's, "
        "English"
    )
    own = serializers.BooleanField(help_text="The chain's own words")
    subject = serializers.CharField()
    body = serializers.CharField()
    short = serializers.CharField()
    longest_length = SmsLengthOut(help_text="Of `short`, with the longest facts that are usual")
    may = serializers.ListField(child=serializers.CharField())
    must = serializers.ListField(child=serializers.CharField())


class MessageTextsQuery(serializers.Serializer[Any]):
    """In which language."""

    language = serializers.RegexField(LANGUAGE, max_length=8, default="en")


class MessageTextsOut(serializers.Serializer[Any]):
    """All texts."""

    texts = MessageTextOut(many=True)


class MessageTemplateFilter(filters.FilterSet):
    """Of which text, in which language."""

    name = filters.CharFilter()
    language = filters.CharFilter()

    class Meta:
        model = MessageTemplate
        fields = ("name", "language")


@extend_schema_view(
    list=extend_schema(summary="List the versions of message templates"),
    retrieve=extend_schema(summary="Show a version of a message template"),
)
class MessageTemplateViewSet(ListMixin, RetrieveMixin):
    """The chain's own words, in every version that there was; a version never changes."""

    queryset = MessageTemplate.objects.all()
    serializer_class = MessageTemplateOut
    filterset_class = MessageTemplateFilter
    policy = {
        "list": "recall.read",
        "retrieve": "recall.read",
        "create": "message_template.write",
        "destroy": "message_template.write",
    }

    @extend_schema(
        request=MessageTemplateIn,
        responses={201: MessageTemplateOut},
        summary="Put words of the chain's own in place",
    )
    @idempotent(required=False)
    def create(self, request: Request) -> Response:
        """A first or further version; counts from the next message on.

        An unknown or missing place is found here (400). For managers of the whole chain.
        """
        told = self.parse(MessageTemplateIn)
        template = message_template_set(
            name=told["name"],
            language=told["language"],
            wording=_wording(told),
            based_on=told["based_on"],
            actor=self.actor,
            now=self.now(),
        )
        return self.present(template, status=201)

    @extend_schema(
        parameters=[UNCONDITIONAL],
        responses={204: None},
        summary="Go back to the service's own words",
    )
    def destroy(self, request: Request, pk: str) -> Response:
        """A further version without words; only of the version that counts.

        For managers of the whole chain.
        """
        found = self.get_object()
        if not found.withdrawn:
            message_template_set(
                name=found.name,
                language=found.language,
                wording=None,
                based_on=found.number,
                actor=self.actor,
                now=self.now(),
            )
        return Response(status=204)


class WordsPreviewView(FallowView):
    """What words would look like."""

    policy = {"post": "recall.read"}

    @extend_schema(request=WordsIn, responses=WordsPreviewOut, summary="Preview words")
    def post(self, request: Request) -> Response:
        """The words with invented facts, and how many segments a text message takes.

        Stores nothing. For whoever reads recalls.
        """
        told = self.parse(WordsIn)
        wording = _wording(told)
        found = flaws(told["name"], wording)
        shown = None if found else self._preview(told["name"], wording, told["language"])
        return self.show(WordsPreviewOut, {"flaws": found, "preview": shown})

    def _preview(self, name: str, wording: Wording, language: str) -> dict[str, Any]:
        facts = TextFacts(
            given_name="Invented",
            clinic="Example Clinic",
            zone=ZoneInfo("UTC"),
            starts_at=self.now() + timedelta(days=3),
            ready_on=(self.now() + timedelta(days=14)).date(),
            link=SAMPLE_LINK,
            language=language,
        )
        letter = text_for(name, facts, own={language: wording})
        short = text_for(name, facts, channel=Channel.SMS, own={language: wording}).body
        return {
            "subject": letter.subject,
            "body": letter.body,
            "short": short,
            "short_length": sms_length(short),
            "longest_length": sms_length(longest(wording.short)),
        }


class MessageTextsView(FallowView):
    """All texts as they are sent now."""

    policy = {"get": "recall.read"}
    extra_query_params = ("language",)

    @extend_schema(
        parameters=[MessageTextsQuery], responses=MessageTextsOut, summary="The texts in use"
    )
    def get(self, request: Request) -> Response:
        """Each text as a patient of that language gets it, and the places it has.

        In the chain's words or ours. For recall readers.
        """
        query = MessageTextsQuery(data=request.query_params.dict())
        query.is_valid(raise_exception=True)
        chain_id = self.actor.chain_id
        languages = languages_for(
            query.validated_data["language"], fallback=cadence_in_force(chain_id).language
        )
        own = own_wordings(chain_id, MAY, languages=languages)
        texts = [_text(name, languages, own[name]) for name in sorted(MAY)]
        return self.show(MessageTextsOut, {"texts": texts})


def _text(name: str, languages: Sequence[str], own: Mapping[str, Wording]) -> dict[str, Any]:
    wording, spoken = wording_in(name, languages, own=own)
    return {
        "name": name,
        "kind": KIND[name],
        "language": spoken,
        "own": spoken in own,
        **wording.parts(),
        "longest_length": sms_length(longest(wording.short)),
        "may": sorted(MAY[name]),
        "must": sorted(MUST[name]),
    }


def _wording(told: dict[str, Any]) -> Wording:
    return Wording(told["subject"], told["body"], told["short"])
