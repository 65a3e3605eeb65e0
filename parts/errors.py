"""Refusals: a service will not do what was asked, and says why and what to do."""


class Refusal(Exception):
    """A rule of the trade stands in the way.

    code: stable, for tests and programs. sentence: what is wrong and what to do, for people.
    field: the form field the sentence belongs beside; None means the whole form. Every room subclasses it.
    """

    code = "refused"

    def __init__(self, sentence: str, *, code: str | None = None, field: str | None = None) -> None:
        super().__init__(sentence)
        self.sentence = sentence
        self.field = field
        if code is not None:
            self.code = code
