"""Addresses of the devices API, below /api/v1/."""

from django.urls import URLPattern, URLResolver, path
from rest_framework.routers import SimpleRouter

from devices.api.calculators import FluenceCalculator
from devices.api.counter_differences import (
    CounterDifferenceViewSet,
    CounterReconciliationViewSet,
)
from devices.api.counter_imports import CounterImportViewSet, CounterLayoutViewSet
from devices.api.counters import CounterReadingViewSet, CounterViewSet
from devices.api.device_state import DeviceMetricsViewSet, DevicePolicyView, LaserDriftViewSet
from devices.api.duties import (
    DutiesView,
    DutyRecordViewSet,
    StartUpCheckViewSet,
)
from devices.api.duty_policy import DutyPolicyViewSet
from devices.api.energy_checks import EnergyCheckViewSet
from devices.api.eyewear import (
    AccompanyingEmissionViewSet,
    EyewearPolicyViewSet,
    EyewearViewSet,
)
from devices.api.fittings import FittingViewSet
from devices.api.handpieces import HandpieceViewSet
from devices.api.incidents import IncidentViewSet, OfficerViewSet
from devices.api.laser_models import (
    EmissionLineViewSet,
    LaserAuthorisationViewSet,
    LaserModelViewSet,
)
from devices.api.lasers import LaserViewSet
from devices.api.ledger_verification import LedgerVerification
from devices.api.lock_outs import LockOutViewSet
from devices.api.logbooks import LogbookView
from devices.api.meters import MeterViewSet
from devices.api.parts import InstallationViewSet, LaserPartsViewSet, PartViewSet
from devices.api.pulse_entries import PulseEntryViewSet
from devices.api.safety_calculators import (
    ExposureLimitCalculator,
    EyewearNeedCalculator,
    HazardDistanceCalculator,
)
from devices.api.service_plans import ServicePlanViewSet
from devices.api.service_visits import ServiceVisitViewSet
from devices.api.usage_reports import UsageReportView

router = SimpleRouter(trailing_slash=False)
router.register("laser-models", LaserModelViewSet, basename="laser-model")
router.register("emission-lines", EmissionLineViewSet, basename="emission-line")
router.register("laser-authorisations", LaserAuthorisationViewSet, basename="laser-authorisation")
router.register("lasers", LaserViewSet, basename="laser")
router.register("lock-outs", LockOutViewSet, basename="lock-out")
router.register("handpieces", HandpieceViewSet, basename="handpiece")
router.register("fittings", FittingViewSet, basename="fitting")
router.register("pulse-entries", PulseEntryViewSet, basename="pulse-entry")
router.register("counters", CounterViewSet, basename="counter")
router.register("counter-readings", CounterReadingViewSet, basename="counter-reading")
router.register("counter-differences", CounterDifferenceViewSet, basename="counter-difference")
router.register(
    "counter-reconciliations", CounterReconciliationViewSet, basename="counter-reconciliation"
)
router.register("counter-layouts", CounterLayoutViewSet, basename="counter-layout")
router.register("counter-imports", CounterImportViewSet, basename="counter-import")
router.register("parts", PartViewSet, basename="part")
router.register("installations", InstallationViewSet, basename="installation")
router.register("service-plans", ServicePlanViewSet, basename="service-plan")
router.register("service-visits", ServiceVisitViewSet, basename="service-visit")
router.register("meters", MeterViewSet, basename="meter")
router.register("energy-checks", EnergyCheckViewSet, basename="energy-check")
router.register("eyewear", EyewearViewSet, basename="eyewear")
router.register(
    "accompanying-emissions", AccompanyingEmissionViewSet, basename="accompanying-emission"
)
router.register("start-up-checks", StartUpCheckViewSet, basename="start-up-check")
router.register("duty-records", DutyRecordViewSet, basename="duty-record")
router.register("safety-officers", OfficerViewSet, basename="safety-officer")
router.register("incidents", IncidentViewSet, basename="incident")

duty_policy = DutyPolicyViewSet.as_view({"get": "retrieve", "patch": "partial_update"})
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
    path(
        "lasers/<int:pk>/drift", LaserDriftViewSet.as_view({"get": "retrieve"}), name="laser-drift"
    ),
    path(
        "lasers/<int:pk>/device-metrics",
        DeviceMetricsViewSet.as_view({"get": "retrieve"}),
        name="laser-device-metrics",
    ),
    path("device-policy", DevicePolicyView.as_view(), name="device-policy"),
    path("lasers/<int:pk>/logbook", LogbookView.as_view(), name="laser-logbook"),
    path("usage-reports", UsageReportView.as_view(), name="usage-reports"),
    path("duties", DutiesView.as_view(), name="duties"),
    path("duty-policy", duty_policy, name="duty-policy"),
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
