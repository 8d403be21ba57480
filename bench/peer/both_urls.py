"""The service's addresses, and the peer's for records below /api/v1/plain/."""

from django.urls import include, path

from bench.peer.records import router
from config.urls import urlpatterns as service

urlpatterns = [path("api/v1/plain/", include(router.urls)), *service]
