"""Where every address of the service leads."""

from django.urls import URLPattern, URLResolver, include, path

urlpatterns: list[URLPattern | URLResolver] = [
    path("api/v1/", include("clinics.api.urls")),
    path("api/v1/", include("devices.api.urls")),
    path("api/v1/", include("courses.api.urls")),
]
