"""Patients and their changes as they are often served: whole viewsets, nothing kept apart."""

from django_filters.rest_framework import DjangoFilterBackend
from knox.auth import TokenAuthentication
from rest_framework import filters, serializers, viewsets
from rest_framework.pagination import LimitOffsetPagination
from rest_framework.permissions import IsAuthenticated
from rest_framework.routers import SimpleRouter

from bench.peer.models import PlainAddress
from clinics.models import Change
from courses.models import Patient


class PlainAddressSerializer(serializers.ModelSerializer):
    class Meta:
        model = PlainAddress
        fields = ("id", "address")


class PlainPatientSerializer(serializers.ModelSerializer):
    plain_addresses = PlainAddressSerializer(many=True, read_only=True)

    class Meta:
        model = Patient
        fields = "__all__"


class PlainChangeSerializer(serializers.ModelSerializer):
    class Meta:
        model = Change
        fields = "__all__"


class Plain(viewsets.ModelViewSet):
    authentication_classes = (TokenAuthentication,)
    permission_classes = (IsAuthenticated,)
    pagination_class = LimitOffsetPagination
    filter_backends = (DjangoFilterBackend, filters.SearchFilter)


class PlainPatientViewSet(Plain):
    queryset = Patient.objects.prefetch_related("plain_addresses").order_by("id")
    serializer_class = PlainPatientSerializer
    search_fields = ("family_name", "given_name")
    filterset_fields = ("plain_addresses__address", "birth_date")


class PlainChangeViewSet(Plain):
    queryset = Change.objects.order_by("-id")
    serializer_class = PlainChangeSerializer
    filterset_fields = ("patient_id",)


router = SimpleRouter(trailing_slash=False)
router.register("patients", PlainPatientViewSet, basename="plain-patient")
router.register("changes", PlainChangeViewSet, basename="plain-change")
