"""Addresses of the organisation, under `/api/v1/`."""

from django.urls import path
from rest_framework.routers import SimpleRouter

from clinics.api import diary, history, hours, organisation, people
from clinics.api.sign_in import machines, managing, tokens
from clinics.api.sign_in import people as sign_in

router = SimpleRouter(trailing_slash=False)
router.register("clinics", organisation.ClinicViewSet, basename="clinic")
router.register("rooms", organisation.RoomViewSet, basename="room")
router.register("staff-members", people.StaffMemberViewSet, basename="staff-member")
router.register("credentials", people.CredentialViewSet, basename="credential")
router.register("shifts", people.ShiftViewSet, basename="shift")
router.register("memberships", people.MembershipViewSet, basename="membership")
router.register("machine-tokens", machines.MachineTokenViewSet, basename="machine-token")
router.register("me/sessions", sign_in.OwnSessionViewSet, basename="own-session")
router.register("opening-rules", hours.OpeningRuleViewSet, basename="opening-rule")
router.register("closures", hours.ClosureViewSet, basename="closure")
router.register("holiday-overrides", hours.HolidayOverrideViewSet, basename="holiday-override")
router.register("reservations", diary.ReservationViewSet, basename="reservation")
router.register("absences", diary.AbsenceViewSet, basename="absence")
router.register("history", history.HistoryViewSet, basename="history")
router.register("record-reads", history.RecordReadViewSet, basename="record-read")

chain = organisation.ChainViewSet.as_view({"get": "retrieve", "patch": "partial_update"})

sign_in_lock = managing.StaffSignInViewSet.as_view({"get": "show_lock", "delete": "lift_lock"})

urlpatterns = [
    path("auth/login", sign_in.LoginView.as_view(), name="login"),
    path("auth/session", sign_in.SessionView.as_view(), name="session-state"),
    path("auth/2fa/authenticate", sign_in.CodeView.as_view(), name="login-code"),
    path("auth/reauthenticate", sign_in.ProofView.as_view(), name="proof"),
    path("auth/2fa/reauthenticate", sign_in.CodeProofView.as_view(), name="proof-code"),
    path("account/authenticators", sign_in.AuthenticatorsView.as_view(), name="authenticators"),
    path("account/authenticators/totp", sign_in.TotpView.as_view(), name="authenticator-totp"),
    path(
        "account/authenticators/recovery-codes",
        sign_in.RecoveryCodesView.as_view(),
        name="recovery-codes",
    ),
    path("tokens", tokens.TokenView.as_view(), name="tokens"),
    path("tokens/current", tokens.CurrentTokenView.as_view(), name="token-current"),
    path("me", tokens.MeView.as_view(), name="me"),
    path("me/password", tokens.OwnPasswordView.as_view(), name="own-password"),
    path(
        "staff-members/<int:pk>/second-factor",
        managing.StaffSignInViewSet.as_view({"delete": "reset_second_factor"}),
        name="staff-second-factor",
    ),
    path("staff-members/<int:pk>/sign-in-lock", sign_in_lock, name="staff-sign-in-lock"),
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
