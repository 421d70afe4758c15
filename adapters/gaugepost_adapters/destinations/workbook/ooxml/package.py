"""A workbook's parts, what relates them, and why some must not be touched. Reads and makes bytes, does no I/O.

book.xlsx                                a zip
├ [Content_Types].xml                    what each part is
├ _rels/.rels  ──► xl/workbook.xml       sheets by name, defined names, how it is calculated
└ xl/_rels/workbook.xml.rels  ──► xl/worksheets/sheet1.xml, xl/styles.xml, xl/sharedStrings.xml …
"""

from __future__ import annotations

import io
import lzma
import posixpath
import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from urllib.parse import unquote

from gaugepost.contract import ValueRefused
from gaugepost_adapters.destinations.workbook.ooxml.address import Area, area, is_address
from gaugepost_adapters.destinations.workbook.ooxml.markup import Element, parse

MOST_BYTES = 64 * 1024 * 1024
"""Of a workbook, and of all its parts unpacked: more is no inspection sheet."""

_TORN = (
    zipfile.BadZipFile, zlib.error, lzma.LZMAError, NotImplementedError, EOFError, OSError, ValueError,
)  # fmt: skip
"""What a zip raises whose bytes are not those that were packed: unpacking has errors of its own for each method."""
_MAIN = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"
_NAMESPACE = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"

_REFUSED = {
    "vbaproject": "a macro, which could change what is filled in unseen",
    "macrosheets/": "a macro sheet, which could change what is filled in unseen",
    "_xmlsignatures/": "a digital signature, which any change would break",
    "revisions/": "the log of a shared workbook, which would not know of the change",
}
"""Parts that editing cells would do harm to, by a piece of their name."""


@dataclass(frozen=True, slots=True)
class Package:
    """A workbook in memory: its parts, unpacked, in their order."""

    parts: Mapping[str, bytes]
    sheets: Mapping[str, str]
    """Worksheets' parts by the sheets' names, in their order."""
    names: Mapping[str, Mapping[str, str]]
    """Defined names by their folded spelling: what they refer to by the one sheet that knows it, folded too; "" where
    all do. A sheet that is copied within its workbook brings names of its own with it."""
    workbook: str
    styles: str
    strings: str
    """Parts' names; empty where there is none."""
    dated_from_1904: bool = False
    infos: Mapping[str, zipfile.ZipInfo] = field(default_factory=dict)

    def refer(self, text: str, sheet: str = "") -> Area:
        """Return the cells that an address or a defined name stands for.

        Raises:
            ValueRefused: there is no such name, sheet or address, or the name stands for several ranges.
        """
        where = text
        if not is_address(text):
            where = self._named(text, sheet)
            if not is_address(where):
                raise ValueRefused(
                    f"the name {text!r} stands for {where!r}, which is no range of cells",
                    hint="give it one range",
                )
        found = area(where, sheet or next(iter(self.sheets)))
        for name in self.sheets:
            if name.casefold() == found.sheet.casefold():
                return Area(name, found.top, found.left, found.rows, found.columns)
        raise ValueRefused(f"there is no sheet {found.sheet!r}", hint=f"there are: {', '.join(self.sheets)}")

    def _named(self, text: str, sheet: str) -> str:
        """Return what a defined name refers to: that of `sheet`, else the workbook's, else the only one there is."""
        if text.casefold() not in self.names:
            known = ", ".join(list(self.names)[:12]) or "none"
            raise ValueRefused(f"the workbook has no name {text!r}", hint=f"it has: {known}")
        meant = self.names[text.casefold()]
        for scope in (sheet.casefold(), "", *(meant if len(meant) == 1 else ())):
            if scope in meant:
                return meant[scope]
        scopes = [name for name in self.sheets if name.casefold() in meant]
        raise ValueRefused(
            f"several sheets have a name {text!r} of its own: {', '.join(scopes)}",
            hint=f'say which is meant: sheet = "{scopes[0]}"',
        )

    def with_parts(self, changed: Mapping[str, bytes]) -> bytes:
        """Return the workbook's bytes with these parts in place of their old ones; every other part is the same."""
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w") as target:
            for name, data in self.parts.items():
                info = self.infos[name]
                entry = zipfile.ZipInfo(info.filename, info.date_time)
                entry.compress_type, entry.external_attr = info.compress_type, info.external_attr
                target.writestr(entry, changed.get(name, data))
        return out.getvalue()


def read(data: bytes) -> Package:
    """Return the workbook in `data`.

    Raises:
        ValueRefused: it is no workbook, or one that can't be filled without harm; says which of its parts is why.
    """
    parts, infos = _unpacked(data)
    harmed = [f"{name} ({why})" for name in parts for mark, why in _REFUSED.items() if mark in name.lower()]
    if harmed:
        raise ValueRefused(
            f"it holds {', '.join(harmed)}", hint="save a copy without it, as .xlsx, and name that copy"
        )
    workbook, kind = _workbook_part(parts)
    if kind != _MAIN:
        raise ValueRefused(
            f"{workbook} is {kind or 'of no known kind'}, not a plain workbook", hint="save it as .xlsx"
        )
    root = parse(parts[workbook], workbook)
    if _NAMESPACE not in root.attributes.values():
        raise ValueRefused(f"{workbook} is in another form (strict)", hint="save it as plain .xlsx")
    related = _related(parts, workbook)
    by_id = {each["Id"]: each["Target"] for each in related}
    sheets = {}
    for sheet in root.each("sheets", "sheet"):
        target = by_id.get(next((v for k, v in sheet.attributes.items() if k.endswith(":id")), ""), "")
        if target in parts and _kind_of(related, target).endswith("/worksheet"):
            sheets[sheet.attributes.get("name", "")] = target
    if not sheets:
        raise ValueRefused("it has no worksheet", hint="name a workbook with a sheet to fill")
    settings = root.first("workbookPr")
    return Package(
        parts,
        sheets,
        _names(root),
        workbook,
        _by_kind(related, "/styles", parts),
        _by_kind(related, "/sharedStrings", parts),
        settings is not None and settings.attributes.get("date1904", "0").lower() in ("1", "true"),
        infos,
    )


def _unpacked(data: bytes) -> tuple[dict[str, bytes], dict[str, zipfile.ZipInfo]]:
    if data.startswith(_OLE):
        raise ValueRefused(
            "it is encrypted, or of the old .xls form", hint="save it as .xlsx, without a password to open it"
        )
    parts: dict[str, bytes] = {}
    infos: dict[str, zipfile.ZipInfo] = {}
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as file:
            if sum(info.file_size for info in file.infolist()) > MOST_BYTES:
                raise ValueRefused("it is larger than 64 MB unpacked", hint="name a smaller workbook")
            for info in file.infolist():
                if info.filename in parts or info.flag_bits & 1:
                    why = "is encrypted" if info.flag_bits & 1 else "is there twice"
                    raise ValueRefused(f"its part {info.filename} {why}", hint="save it again as .xlsx")
                parts[info.filename], infos[info.filename] = file.read(info), info
    except _TORN as error:
        raise ValueRefused(
            f"it is no .xlsx workbook, or damaged: {error}",
            hint="open it in an office program and save it again",
        ) from error
    return parts, infos


def _workbook_part(parts: Mapping[str, bytes]) -> tuple[str, str]:
    if "[Content_Types].xml" not in parts or "_rels/.rels" not in parts:
        raise ValueRefused("it is a zip, but no .xlsx workbook", hint="save it as .xlsx")
    workbook = _by_kind(_related(parts, ""), "/officeDocument", parts)
    types = parse(parts["[Content_Types].xml"], "[Content_Types].xml")
    for each in types.each("Override"):
        if each.attributes.get("PartName", "").lstrip("/").lower() == workbook.lower():
            return workbook, each.attributes.get("ContentType", "")
    extension = workbook.rpartition(".")[2].lower()
    for each in types.each("Default"):
        if each.attributes.get("Extension", "").lower() == extension:
            return workbook, each.attributes.get("ContentType", "")
    return workbook or "its main part", ""


def _related(parts: Mapping[str, bytes], source: str) -> list[Mapping[str, str]]:
    """Return the relationships of a part, their targets as names of parts."""
    folder, name = posixpath.split(source)
    at = posixpath.join(folder, "_rels", f"{name}.rels")
    found: list[Mapping[str, str]] = []
    for each in parse(parts[at], at).each("Relationship") if at in parts else ():
        target = each.attributes.get("Target", "")
        if each.attributes.get("TargetMode") != "External":
            whole = target if target.startswith("/") else posixpath.join(folder, target)
            target = unquote(posixpath.normpath(whole).lstrip("/"))
        found.append({"Id": "", "Type": "", **each.attributes, "Target": target})
    return found


def related_to_sheet(package: Package, sheet: str) -> list[tuple[str, str]]:
    """Return the kinds and parts that a sheet names: tables, pivot tables, drawings."""
    part = package.sheets[sheet]
    return [(each["Type"].rpartition("/")[2], each["Target"]) for each in _related(package.parts, part)]


def _kind_of(related: list[Mapping[str, str]], target: str) -> str:
    """Return the kind of the relationship to `target`."""
    return next((each["Type"] for each in related if each["Target"] == target), "")


def _by_kind(related: list[Mapping[str, str]], ending: str, parts: Mapping[str, bytes]) -> str:
    found = (each["Target"] for each in related if each["Type"].endswith(ending) and each["Target"] in parts)
    return next(found, "")


def _names(root: Element) -> dict[str, dict[str, str]]:
    sheets = [sheet.attributes.get("name", "").casefold() for sheet in root.each("sheets", "sheet")]
    names: dict[str, dict[str, str]] = {}
    for each in root.each("definedNames", "definedName"):
        name, only = each.attributes.get("name", ""), each.attributes.get("localSheetId")
        if not name.startswith("_xlnm."):
            scope = "" if only is None else sheets[int(only)]
            names.setdefault(name.casefold(), {})[scope] = each.all_text().strip()
    return names
