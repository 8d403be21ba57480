"""The one refusal of the pure packages: an input that breaks a named rule."""


class InvalidInput(ValueError):
    """A field of the input breaks a rule; nothing was computed.

    `field` is the dotted name of the input, `rule` a stable id a client can match, `message`
    a sentence for a person.
    """

    def __init__(self, *, field: str, rule: str, message: str) -> None:
        super().__init__(message)
        self.field = field
        self.rule = rule
        self.message = message

    def __reduce__(self) -> tuple[object, ...]:
        return (_rebuild, (self.field, self.rule, self.message))


def _rebuild(field: str, rule: str, message: str) -> InvalidInput:
    return InvalidInput(field=field, rule=rule, message=message)
