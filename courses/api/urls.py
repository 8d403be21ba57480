"""Addresses of the courses API, below /api/v1/."""

from django.urls import URLPattern, URLResolver, path
from rest_framework.routers import SimpleRouter

from courses.api.appointments import AppointmentViewSet
from courses.api.capacity import CapacityView
from courses.api.slots import SlotSearchView

router = SimpleRouter(trailing_slash=False)
router.register("appointments", AppointmentViewSet, basename="appointment")

urlpatterns: list[URLPattern | URLResolver] = [
    path("slot-searches", SlotSearchView.as_view(), name="slot-search"),
    path("capacity", CapacityView.as_view(), name="capacity"),
    *router.urls,
]
