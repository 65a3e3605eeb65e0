"""Named errors. Each carries a stable code and one plain sentence that says what to do."""


class MetrologyError(Exception):
    """A calculation that cannot give a trustworthy answer.

    code: stable, lower case with hyphens, for tests and stored records.
    sentence: what is wrong and what to do, as it is shown to a person.
    """

    def __init__(self, code: str, sentence: str) -> None:
        super().__init__(sentence)
        self.code = code
        self.sentence = sentence


class ReadingError(MetrologyError):
    """A file that cannot be read as what it claims to be."""


class UnitError(MetrologyError):
    """A stated unit that cannot be right, or an unknown unit."""


class AlignmentError(MetrologyError):
    """A scan that cannot be placed on the nominal with confidence."""


class InputError(MetrologyError):
    """Figures that do not allow the calculation asked for."""


class Stopped(Exception):
    """Raised by a progress callback to stop a calculation at a person's request."""
