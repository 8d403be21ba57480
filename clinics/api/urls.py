"""Addresses of the organisation, under `/api/v1/`."""

from django.urls import path
from rest_framework.routers import SimpleRouter

from clinics.api import diary, history, hours, organisation, people, sign_in

router = SimpleRouter(trailing_slash=False)
router.register("clinics", organisation.ClinicViewSet, basename="clinic")
router.register("rooms", organisation.RoomViewSet, basename="room")
router.register("staff-members", people.StaffMemberViewSet, basename="staff-member")
router.register("credentials", people.CredentialViewSet, basename="credential")
router.register("shifts", people.ShiftViewSet, basename="shift")
router.register("memberships", people.MembershipViewSet, basename="membership")
router.register("opening-rules", hours.OpeningRuleViewSet, basename="opening-rule")
router.register("closures", hours.ClosureViewSet, basename="closure")
router.register("holiday-overrides", hours.HolidayOverrideViewSet, basename="holiday-override")
router.register("reservations", diary.ReservationViewSet, basename="reservation")
router.register("absences", diary.AbsenceViewSet, basename="absence")
router.register("history", history.HistoryViewSet, basename="history")
router.register("record-reads", history.RecordReadViewSet, basename="record-read")

chain = organisation.ChainViewSet.as_view({"get": "retrieve", "patch": "partial_update"})

urlpatterns = [
    path("tokens", sign_in.TokenView.as_view(), name="tokens"),
    path("tokens/current", sign_in.CurrentTokenView.as_view(), name="token-current"),
    path("me", sign_in.MeView.as_view(), name="me"),
    path("me/password", sign_in.OwnPasswordView.as_view(), name="own-password"),
    path("chain", chain, name="chain"),
    path("history-export", history.HistoryExportView.as_view(), name="history-export"),
    path(
        "patients/<int:pk>/history",
        history.PatientHistoryViewSet.as_view({"get": "list"}),
        name="patient-history",
    ),
    path(
        "lasers/<int:pk>/history",
        history.LaserHistoryViewSet.as_view({"get": "list"}),
        name="laser-history",
    ),
    path(
        "appointments/<int:pk>/history",
        history.AppointmentHistoryViewSet.as_view({"get": "list"}),
        name="appointment-history",
    ),
    *router.urls,
]
