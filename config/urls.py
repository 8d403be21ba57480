"""Where every address of the service leads."""

from django.urls import URLPattern, URLResolver, include, path, re_path

from core.api.problems import not_found
from core.api.urls import root_urlpatterns
from courses.api import urls as courses_urls

urlpatterns: list[URLPattern | URLResolver] = [
    path("api/v1/", include("core.api.urls")),
    path("api/v1/", include("clinics.api.urls")),
    path("api/v1/", include("devices.api.urls")),
    path("api/v1/", include("courses.api.urls")),
    *root_urlpatterns,
    *courses_urls.root_urlpatterns,
    re_path(r"^api/", not_found),
]

handler400 = "core.api.problems.bad_request"
handler403 = "core.api.problems.forbidden"
handler404 = "core.api.problems.not_found"
handler500 = "core.api.problems.server_error"
