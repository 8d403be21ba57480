"""Addresses of the kernel below /api/v1/, and those at the root of the service."""

from django.urls import path

from core.api.docs import DocsView, OpenApiView
from core.api.health import Live, Ready
from core.api.problem_types import ProblemType

urlpatterns = [
    path("health", Live.as_view(), name="health"),
    path("health/ready", Ready.as_view(), name="health-ready"),
    path("openapi.json", OpenApiView.as_view(), name="openapi"),
    path("docs", DocsView.as_view(), name="docs"),
]

root_urlpatterns = [
    path("problems/<slug:code>", ProblemType.as_view(), name="problem-type"),
]
