"""What OPTIONS answers: which methods an address takes. What they take stands in the document."""

from typing import Any

from rest_framework.metadata import BaseMetadata
from rest_framework.request import Request


class AllowedMethods(BaseMetadata):
    """The methods of the address, as in the Allow header."""

    def determine_metadata(self, request: Request, view: Any) -> dict[str, Any]:
        return {"methods": view.allowed_methods}
