"""Refusals: a service will not do what was asked, and says why and what to do."""

from collections.abc import Mapping, Sequence


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


class Unusable(Refusal):
    """A value that cannot be used as it is."""

    code = "unusable"


class OtherUnit(Unusable):
    """A file that states another unit than the person did. likely_unit: the file's."""

    code = "unit-contradiction"

    def __init__(self, sentence: str, *, likely_unit: str) -> None:
        super().__init__(sentence, field="unit")
        self.likely_unit = likely_unit


class Taken(Refusal):
    """A code, number or letter that another record has."""

    code = "taken"


class Frozen(Refusal):
    """The revision's definition may no longer be changed."""

    code = "frozen"


class NotNow(Refusal):
    """The record is not in a state in which this can be done."""

    code = "not-now"


class RowsRefused(Refusal):
    """Some rows of an import cannot be used, so none was. rows: sentences by the row's place, counted from 0."""

    code = "rows-refused"

    def __init__(self, sentence: str, rows: Mapping[int, Sequence[str]]) -> None:
        super().__init__(sentence)
        self.rows = rows
