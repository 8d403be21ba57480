"""The OpenAPI document and pages to read it by; the pages' assets come from this service."""

from functools import cache
from typing import Final

from csp.constants import NONE, SELF
from csp.decorators import csp_replace
from django.http import HttpResponse
from django.utils.decorators import method_decorator
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.renderers import OpenApiJsonRenderer
from drf_spectacular.utils import extend_schema
from drf_spectacular.views import SpectacularSwaggerSplitView
from rest_framework.request import Request

from core.api.permissions import PUBLIC, PolicyPermission
from core.api.views import FallowView

# The page runs scripts of this service and asks this service; its styles are written in place.
PAGE_MAY: Final = {
    "default-src": [NONE],
    "script-src": [SELF],
    "style-src": [SELF, "'unsafe-inline'"],
    "img-src": [SELF, "data:"],
    "connect-src": [SELF],
    "base-uri": [NONE],
    "form-action": [NONE],
    "frame-ancestors": [NONE],
}


@cache
def document() -> bytes:
    """The OpenAPI document as JSON, made once for each process."""
    generator = SchemaGenerator()  # type: ignore[no-untyped-call]
    schema = generator.get_schema(request=None, public=True)  # type: ignore[no-untyped-call]
    return bytes(OpenApiJsonRenderer().render(schema, renderer_context={}))


class OpenApiView(FallowView):
    """Gives the OpenAPI document."""

    policy = {"get": PUBLIC}
    authentication_classes = ()

    @extend_schema(exclude=True)
    def get(self, request: Request) -> HttpResponse:
        return HttpResponse(document(), content_type="application/json")


@method_decorator(csp_replace(PAGE_MAY), name="dispatch")
class DocsView(SpectacularSwaggerSplitView):
    """A page to read the document and to try calls; expects the address name `openapi`."""

    policy = {"get": PUBLIC}
    authentication_classes = ()
    permission_classes = (PolicyPermission,)
    url_name = "openapi"
