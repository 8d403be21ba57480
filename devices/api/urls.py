"""Addresses of the devices API, below /api/v1/."""

from django.urls import URLPattern, URLResolver, path
from rest_framework.routers import SimpleRouter

from devices.api.calculators import FluenceCalculator
from devices.api.eyewear import (
    AccompanyingEmissionViewSet,
    EyewearPolicyViewSet,
    EyewearViewSet,
)
from devices.api.fittings import FittingViewSet
from devices.api.handpieces import HandpieceViewSet
from devices.api.laser_models import (
    EmissionLineViewSet,
    LaserAuthorisationViewSet,
    LaserModelViewSet,
)
from devices.api.lasers import LaserViewSet
from devices.api.ledger_verification import LedgerVerification
from devices.api.lock_outs import LockOutViewSet
from devices.api.parts import InstallationViewSet, LaserPartsViewSet, PartViewSet
from devices.api.pulse_entries import PulseEntryViewSet
from devices.api.safety_calculators import (
    EyewearNeedCalculator,
    ExposureLimitCalculator,
    HazardDistanceCalculator,
)

router = SimpleRouter(trailing_slash=False)
router.register("laser-models", LaserModelViewSet, basename="laser-model")
router.register("emission-lines", EmissionLineViewSet, basename="emission-line")
router.register("laser-authorisations", LaserAuthorisationViewSet, basename="laser-authorisation")
router.register("lasers", LaserViewSet, basename="laser")
router.register("lock-outs", LockOutViewSet, basename="lock-out")
router.register("handpieces", HandpieceViewSet, basename="handpiece")
router.register("fittings", FittingViewSet, basename="fitting")
router.register("pulse-entries", PulseEntryViewSet, basename="pulse-entry")
router.register("parts", PartViewSet, basename="part")
router.register("installations", InstallationViewSet, basename="installation")
router.register("eyewear", EyewearViewSet, basename="eyewear")
router.register(
    "accompanying-emissions", AccompanyingEmissionViewSet, basename="accompanying-emission"
)

eyewear_policy = EyewearPolicyViewSet.as_view({"get": "retrieve", "patch": "partial_update"})

urlpatterns: list[URLPattern | URLResolver] = [
    *router.urls,
    path(
        "lasers/<int:pk>/ledger-verification",
        LedgerVerification.as_view(),
        name="ledger-verification",
    ),
    path(
        "lasers/<int:pk>/parts", LaserPartsViewSet.as_view({"get": "retrieve"}), name="laser-parts"
    ),
    path("eyewear-policy", eyewear_policy, name="eyewear-policy"),
    path(
        "calculators/exposure-limit",
        ExposureLimitCalculator.as_view(),
        name="calculators-exposure-limit",
    ),
    path("calculators/eyewear", EyewearNeedCalculator.as_view(), name="calculators-eyewear"),
    path(
        "calculators/hazard-distance",
        HazardDistanceCalculator.as_view(),
        name="calculators-hazard-distance",
    ),
    path("calculators/fluence", FluenceCalculator.as_view(), name="calculators-fluence"),
]
