"""The one refusal of the metrology package."""


class InvalidQuantity(ValueError):
    """A quantity that cannot be: `field` names it, `rule` is a stable id, `message` a sentence."""

    def __init__(self, *, field: str, rule: str, message: str) -> None:
        super().__init__(message)
        self.field = field
        self.rule = rule
        self.message = message

    def __reduce__(self) -> tuple[object, ...]:
        return (_rebuild, (self.field, self.rule, self.message))


def _rebuild(field: str, rule: str, message: str) -> InvalidQuantity:
    return InvalidQuantity(field=field, rule=rule, message=message)
