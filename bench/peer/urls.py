"""The peer's view and its addresses."""

from django.db.models import Q
from django.http import HttpResponse
from django.urls import include, path
from django.utils import timezone
from knox.auth import TokenAuthentication
from rest_framework import serializers, viewsets
from rest_framework.decorators import action
from rest_framework.permissions import IsAuthenticated
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter

from bench.peer.models import PlainBooking

USED = ("course", "room", "operator", "laser", "handpiece")


class PlainBookingSerializer(serializers.ModelSerializer):
    class Meta:
        model = PlainBooking
        fields = ("id", *USED, "starts_at", "ends_at")


class PlainBookingViewSet(viewsets.ModelViewSet):
    queryset = PlainBooking.objects.all()
    serializer_class = PlainBookingSerializer
    authentication_classes = (TokenAuthentication,)
    permission_classes = (IsAuthenticated,)

    def create(self, request):
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        wanted = serializer.validated_data
        same = Q()
        for field in USED:
            same |= Q(**{field: wanted[field]})
        taken = PlainBooking.objects.filter(
            same,
            starts_at__lt=wanted["ends_at"],
            ends_at__gt=wanted["starts_at"],
            cancelled_at=None,
        )
        if taken.exists():
            return Response({"code": "slot_taken"}, status=409)
        serializer.save()
        return Response(serializer.data, status=201)

    @action(detail=True, methods=["post"])
    def cancel(self, request, pk):  # noqa: ARG002
        PlainBooking.objects.filter(pk=pk).update(cancelled_at=timezone.now())
        return Response({})


router = SimpleRouter(trailing_slash=False)
router.register("appointments", PlainBookingViewSet, basename="appointment")
urlpatterns = [
    path("api/v1/", include(router.urls)),
    path("api/v1/health", lambda _: HttpResponse("ok")),
]
