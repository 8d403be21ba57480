"""Addresses of the courses API, below /api/v1/."""

from django.urls import URLPattern, URLResolver, path, re_path
from rest_framework.routers import SimpleRouter

from courses.api.appointments import AppointmentViewSet
from courses.api.body_calculators import BodyAreaView, SkinQuestionnaireView, SkinTypeView
from courses.api.booking_rates import BookingRatesView
from courses.api.calculators import HealingWindowView
from courses.api.calendar_feeds import CalendarFeedViewSet, CalendarView
from courses.api.calibrations import CalibrationViewSet
from courses.api.capacity import CapacityView
from courses.api.consents import ConsentViewSet
from courses.api.courses import CourseViewSet
from courses.api.delivery_reports import DeliveryReportTakeView, DeliveryReportViewSet
from courses.api.desk_list import RecallListViewSet
from courses.api.energy_checks import EnergyCheckDoubtViewSet
from courses.api.erasure import ErasureView, RetentionView
from courses.api.estimate_calculator import SessionEstimateView
from courses.api.gaps import GapOfferViewSet, GapViewSet
from courses.api.healing import HealingWindowViewSet
from courses.api.line_advice import LineAdviceView
from courses.api.message_templates import (
    MessageTemplateViewSet,
    MessageTextsView,
    WordsPreviewView,
)
from courses.api.observations import ObservationViewSet
from courses.api.operation import MessageHealthView, MetricsView
from courses.api.outcomes import ReactionsView
from courses.api.patient_export import PatientExportView
from courses.api.patient_search import ContactPointSearchView, PatientSearchView
from courses.api.patients import ContactPointViewSet, PatientViewSet
from courses.api.precaution_records import (
    PrecautionAnswersViewSet,
    PrecautionDecisionViewSet,
)
from courses.api.precautions import (
    PatientPrecautionsView,
    PrecautionsCalculator,
    QuestionnaireView,
)
from courses.api.recall_policies import CadenceInForceView, RecallPolicyViewSet
from courses.api.recalls import MessageViewSet, RecallViewSet
from courses.api.reference_tables import ClearanceScalesView, HealingRulesView
from courses.api.replans import ReplanRowViewSet, ReplanViewSet
from courses.api.replies import (
    LostView,
    ReplyBookView,
    ReplyLaterView,
    ReplyPage,
    ReplyStopView,
    UnsubscribeView,
)
from courses.api.series import SeriesViewSet
from courses.api.sessions import SessionViewSet
from courses.api.slots import SlotSearchView
from courses.api.tattoos import ClearanceGradeViewSet, TattooPartViewSet, TattooViewSet
from courses.api.treatment_calculators import SettingCheckView, TreatmentLengthView
from courses.api.waiting_list import WaitingListViewSet

router = SimpleRouter(trailing_slash=False)
router.register("appointments", AppointmentViewSet, basename="appointment")
router.register("appointment-series", SeriesViewSet, basename="appointment-series")
router.register("waiting-list", WaitingListViewSet, basename="waiting-list")
router.register("gaps", GapViewSet, basename="gap")
router.register("gap-offers", GapOfferViewSet, basename="gap-offer")
router.register("replans", ReplanViewSet, basename="replan")
router.register("calendar-feeds", CalendarFeedViewSet, basename="calendar-feed")
router.register("patients", PatientViewSet, basename="patient")
router.register("contact-points", ContactPointViewSet, basename="contact-point")
router.register("consents", ConsentViewSet, basename="consent")
router.register("tattoos", TattooViewSet, basename="tattoo")
router.register("tattoo-parts", TattooPartViewSet, basename="tattoo-part")
router.register("clearance-grades", ClearanceGradeViewSet, basename="clearance-grade")
router.register("courses", CourseViewSet, basename="course")
router.register("sessions", SessionViewSet, basename="session")
router.register("observations", ObservationViewSet, basename="observation")
router.register("precaution-answers", PrecautionAnswersViewSet, basename="precaution-answers")
router.register("precaution-decisions", PrecautionDecisionViewSet, basename="precaution-decision")
router.register("calibrations", CalibrationViewSet, basename="calibration")
router.register("healing-windows", HealingWindowViewSet, basename="healing-window")
router.register("recalls", RecallViewSet, basename="recall")
router.register("recall-policies", RecallPolicyViewSet, basename="recall-policy")
router.register("messages", MessageViewSet, basename="message")
router.register("message-templates", MessageTemplateViewSet, basename="message-template")
router.register("recall-list", RecallListViewSet, basename="recall-list")
router.register("delivery-reports", DeliveryReportViewSet, basename="delivery-report")

LINK = r"(?P<token>[0-9a-z]{1,12}-[A-Za-z0-9_-]{22})"

root_urlpatterns = [
    re_path(
        r"^calendars/(?P<token>[A-Za-z0-9_-]{43})\.ics$", CalendarView.as_view(), name="calendar"
    ),
    re_path(rf"^r/{LINK}$", ReplyPage.as_view(), name="reply"),
    re_path(rf"^r/{LINK}/book$", ReplyBookView.as_view(), name="reply-book"),
    re_path(rf"^r/{LINK}/later$", ReplyLaterView.as_view(), name="reply-later"),
    re_path(rf"^r/{LINK}/stop$", ReplyStopView.as_view(), name="reply-stop"),
    re_path(rf"^u/{LINK}$", UnsubscribeView.as_view(), name="unsubscribe"),
    re_path(r"^[ru]/", LostView.as_view(), name="reply-lost"),
]

urlpatterns: list[URLPattern | URLResolver] = [
    path("delivery-callbacks", DeliveryReportTakeView.as_view(), name="delivery-callback"),
    path("metrics", MetricsView.as_view(), name="metrics"),
    path("health/messages", MessageHealthView.as_view(), name="health-messages"),
    path("recall-outcomes", BookingRatesView.as_view(), name="recall-outcomes"),
    path("message-texts", MessageTextsView.as_view(), name="message-texts"),
    path("message-template-previews", WordsPreviewView.as_view(), name="message-template-preview"),
    path("patient-searches", PatientSearchView.as_view(), name="patient-search"),
    path(
        "contact-point-searches",
        ContactPointSearchView.as_view(),
        name="contact-point-search",
    ),
    path("slot-searches", SlotSearchView.as_view(), name="slot-search"),
    path(
        "replans/<int:replan>/rows",
        ReplanRowViewSet.as_view({"get": "list"}),
        name="replan-rows",
    ),
    path("capacity", CapacityView.as_view(), name="capacity"),
    path("calculators/session-estimate", SessionEstimateView.as_view(), name="session-estimate"),
    path("calculators/line-advice", LineAdviceView.as_view(), name="line-advice"),
    path("calculators/treatment-length", TreatmentLengthView.as_view(), name="treatment-length"),
    path("calculators/setting-check", SettingCheckView.as_view(), name="setting-check"),
    path("calculators/skin-type", SkinTypeView.as_view(), name="skin-type"),
    path("calculators/body-area", BodyAreaView.as_view(), name="body-area"),
    path(
        "skin-type-questionnaire", SkinQuestionnaireView.as_view(), name="skin-type-questionnaire"
    ),
    path("calculators/precautions", PrecautionsCalculator.as_view(), name="precautions"),
    path("precaution-questionnaire", QuestionnaireView.as_view(), name="precaution-questionnaire"),
    path("patients/<int:pk>/erasure", ErasureView.as_view(), name="patient-erasure"),
    path("retention-policy", RetentionView.as_view(), name="retention-policy"),
    path("patients/<int:pk>/export", PatientExportView.as_view(), name="patient-export"),
    path(
        "patients/<int:pk>/precautions",
        PatientPrecautionsView.as_view(),
        name="patient-precautions",
    ),
    path(
        "energy-checks/<int:pk>/affected",
        EnergyCheckDoubtViewSet.as_view({"get": "retrieve"}),
        name="energy-check-affected",
    ),
    path("recall-policy", CadenceInForceView.as_view(), name="recall-policy-in-force"),
    path("healing-rules", HealingRulesView.as_view(), name="healing-rules"),
    path("clearance-scales", ClearanceScalesView.as_view(), name="clearance-scales"),
    path("outcomes/reactions", ReactionsView.as_view(), name="reactions"),
    path("calculators/healing-window", HealingWindowView.as_view(), name="healing-window-preview"),
    *router.urls,
]
