"""What a station file says about an inspection sheet: which file, and which cells show what.

Cells are given as a spreadsheet's user gives them: by a defined name, which moves along when somebody moves the cells,
or by an address. Whether the workbook has them is said when it is opened, by `gaugepost deliveries`.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import PurePosixPath
from typing import Self

from pydantic import Field, field_validator, model_validator

from gaugepost.contract import COLUMNS, AdapterSettings, Caution, ValueRefused
from gaugepost_adapters.destinations.workbook.ooxml.address import NAME, area, is_address

SHOWN = (
    "value", "deviation", "verdict", "decision", "conformity", "probability", "uncertainty_mm", "measured_at",
    "operator", "gauge", "attempt", "reasons", "id",
)  # fmt: skip
"""What cells can show of a measurement."""


def _cells(text: str) -> str:
    if is_address(text):
        try:
            area(text)
        except ValueRefused as refused:
            raise ValueError(str(refused)) from refused
    elif not NAME.fullmatch(text):
        raise ValueError(
            f'{text!r} is neither an address nor a defined name; write as "C8:C32", "Sheet1!C8:C32" or "pump_bore"'
        )
    return text


class Fill(AdapterSettings):
    """Which cells show the measurements of one characteristic.

    Every range is as long as that of the pieces and runs the same way: its first cell belongs to the first piece.
    Where several positions are measured, a range is as broad as there are positions; a verdict or decision may be one
    cell a piece all the same, and is then that of the whole characteristic.
    """

    characteristic: str = Field(min_length=1)
    """The characteristic's name in the station file."""
    positions: tuple[str, ...] = ()
    """Where on the feature, in the order of the cells; none for what is measured at one place or combined."""
    reading: int | None = Field(default=None, ge=1, le=100)
    """Which of several readings at one place, counted from 1; where it is missing, the last one."""
    value: str | None = None
    """Cells of the value, in the drawing's unit, with every digit."""
    deviation: str | None = None
    """Cells of the deviation from nominal, or from the middle of the limits."""
    verdict: str | None = None
    """Cells of the verdict: undersize, in-limits, oversize, not-judged."""
    decision: str | None = None
    """Cells of the decision: accept, reject, undecided; suspect where a later check failed."""
    conformity: str | None = None
    """Cells of the conformity (ISO 14253-1)."""
    probability: str | None = None
    """Cells of the probability of conformity."""
    uncertainty_mm: str | None = None
    """Cells of the expanded uncertainty, in mm."""
    measured_at: str | None = None
    """Cells of the time of measuring, in the station's time zone."""
    operator: str | None = None
    """Cells of who measured."""
    gauge: str | None = None
    """Cells of the gauge."""
    attempt: str | None = None
    """Cells of the attempt's number."""
    reasons: str | None = None
    """Cells of why it was not judged."""
    id: str | None = None
    """Cells of the record's lasting id."""
    lower: str | None = None
    """Cell that holds the lower limit; it is read and compared with the drawing's, never written."""
    upper: str | None = None
    """Cell that holds the upper limit; it is read and compared with the drawing's, never written."""
    limits: str | None = None
    """Cell that says whether those agree. Without it, records are refused while they differ."""

    _are_cells = field_validator(*SHOWN, "lower", "upper", "limits")(
        classmethod(lambda _cls, text: None if text is None else _cells(text))
    )

    @model_validator(mode="after")
    def _shows_something(self) -> Self:
        if not self.shown:
            raise ValueError('it shows nothing; write value = "C8:C32"')
        if len(set(self.positions)) != len(self.positions):
            raise ValueError("a position is there twice; write each once")
        if self.limits is not None and self.lower is None and self.upper is None:
            raise ValueError('limits has nothing to compare; write lower = "C5" and upper = "C6"')
        return self

    @property
    def shown(self) -> dict[str, str]:
        """What is shown, by its name, and where."""
        given = ((name, getattr(self, name)) for name in SHOWN)
        return {name: where for name, where in given if where is not None}


class WorkbookSettings(AdapterSettings):
    """Settings of a destination that fills an inspection sheet."""

    file: str = Field(examples=["inspection.xlsx"])
    """The workbook, from the station's data directory on. Where "{lot}" stands in its name, each lot has its own, made
    from the template when its first piece is measured."""
    template: str | None = Field(default=None, min_length=1)
    """The workbook that a lot's is made from, where there is one for each lot."""
    sheet: str | None = Field(default=None, min_length=1)
    """The sheet of addresses that name none; where it is missing, the one that was the first when it was filled."""
    pieces: str | None = None
    """Cells of the pieces' names, in one row or column: a piece's row is the one that has its name, else the first
    that has none. Where it is missing, the sheet shows the piece measured last."""
    lots: str | None = None
    """Cells of the lots' names, beside the pieces', where one sheet takes pieces of several lots."""
    lot: str | None = Field(default=None, min_length=1)
    """The only lot that is filled in; others pass by."""
    cells: dict[str, str] = Field(default_factory=dict)
    """Single cells, and what they show of the record filled in last: names of the vocabulary."""
    fill: tuple[Fill, ...] = Field(min_length=1)
    """What is filled in, one entry a characteristic or more."""

    @field_validator("file", "template")
    @classmethod
    def _is_a_workbook(cls, path: str | None) -> str | None:
        if path is not None and (
            not path.lower().endswith(".xlsx") or "\0" in path or PurePosixPath(path).name.lower() == ".xlsx"
        ):
            raise ValueError(f"{path!r} is no .xlsx file; save the sheet as .xlsx and write its name")
        return path

    @field_validator("pieces", "lots")
    @classmethod
    def _are_cells(cls, text: str | None) -> str | None:
        return None if text is None else _cells(text)

    @field_validator("cells")
    @classmethod
    def _show_the_vocabulary(cls, cells: dict[str, str]) -> dict[str, str]:
        for where, name in cells.items():
            _cells(where)
            if name not in COLUMNS:
                raise ValueError(
                    f"{where} is to show {name!r}, which is no name of the vocabulary; write lot or operator"
                )
        return cells

    @model_validator(mode="after")
    def _fits(self) -> Self:
        folder, _, name = self.file.rpartition("/")
        if "{" in folder or "}" in folder or name.replace("{lot}", "", 1).count("{"):
            raise ValueError(
                f'{self.file!r} has a placeholder that is not "{{lot}}"; write as "sheets/{{lot}}.xlsx"'
            )
        if self.by_lot != (self.template is not None):
            raise ValueError(
                'template is missing, from which a lot\'s workbook is made; write template = "inspection.xlsx"'
                if self.by_lot
                else 'there is a template, and one file for all lots; write file = "sheets/{lot}.xlsx"'
            )
        if self.lots is not None and self.pieces is None:
            raise ValueError('there are cells of lots and none of pieces; write pieces = "B8:B32"')
        return self

    @property
    def by_lot(self) -> bool:
        """Whether each lot has a workbook of its own."""
        return "{lot}" in self.file

    def cautions(self) -> Iterator[Caution]:
        """Say where what was measured would not be seen."""
        if self.pieces is None:
            yield Caution(
                "pieces", "is missing: the sheet shows one piece, the last", 'write pieces = "B8:B32"'
            )
        for number, each in enumerate(self.fill):
            if each.value is not None and each.decision is None and each.verdict is None:
                said = f"{each.characteristic} has neither decision nor verdict cells (fill[{number}])"
                yield Caution("fill", said, 'write decision = "D8:D32"')

    def come_to(self, station: str) -> Iterator[str]:
        """Say what is filled where."""
        yield f"{self.file}{f', made from {self.template}' if self.template else ''}"
        for each in self.fill:
            places = f" at {', '.join(each.positions)}" if each.positions else ""
            yield f"{each.characteristic}{places}: {', '.join(f'{name} in {at}' for name, at in each.shown.items())}"
