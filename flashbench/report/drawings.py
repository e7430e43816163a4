"""The pictures, as inline SVG. Every picture has a name and a description for those who hear it.

Colour is never the only sign: each state of a cell has a shape of its own.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from itertools import count
from typing import Final
from xml.etree.ElementTree import Element

from flashbench.report.elements import el
from flashbench.report.texts import Texts
from flashbench.report.view import Cell, Chip, ChipMap, Open, PackageChange, ReadDifference
from flashbench.report.wording import address, gigabytes, number, volts

_PITCH: Final = 10.0
_ADDRESS_WIDTH: Final = 66.0

Draw = Callable[[float, float], str]
"""Path data of one cell's sign, drawn around a centre."""


def _square(half: float) -> Draw:
    def draw(x: float, y: float) -> str:
        return f"M{x - half:g} {y - half:g}h{2 * half:g}v{2 * half:g}h{-2 * half:g}z"

    return draw


def _diamond(x: float, y: float) -> str:
    return f"M{x:g} {y - 6:g}l6 6l-6 6l-6 -6z"


def _ring(x: float, y: float) -> str:
    circle = f"M{x - 4:g} {y:g}a4 4 0 1 0 8 0a4 4 0 1 0 -8 0z"
    return f"{circle}M{x - 1.6:g} {y:g}a1.6 1.6 0 1 1 3.2 0a1.6 1.6 0 1 1 -3.2 0z"


def _bar(x: float, y: float) -> str:
    return f"M{x - 5:g} {y + 3.6:g}h10v1.8h-10z"


_SIGNS: Final[dict[Cell, Draw]] = {
    Cell.BLANK: _square(1.5),
    Cell.UNCHANGED: _square(3.8),
    Cell.CHANGED: _diamond,
    Cell.BOARD_WROTE: _ring,
}


class Pictures:
    """Draws for one document: names of elements are given out once."""

    def __init__(self, texts: Texts) -> None:
        self._texts = texts
        self._numbers = count(1)

    def _picture(
        self,
        *children: Element,
        width: float,
        height: float,
        title: str,
        description: str,
        class_: str,
    ) -> Element:
        name = f"picture-{next(self._numbers)}"
        return el(
            "svg",
            el("title", title, id=f"{name}-title"),
            el("desc", description, id=f"{name}-desc"),
            *children,
            class_=class_,
            viewBox=f"0 0 {width:g} {height:g}",
            role="img",
            aria_labelledby=f"{name}-title",
            aria_describedby=f"{name}-desc",
        )

    def chip_map(self, drawn: ChipMap, *, description: str, addresses: bool) -> Element:
        """The grid of a map, with the addresses of some rows beside it if wanted."""
        columns = map_columns(len(drawn.cells))
        rows = -(-len(drawn.cells) // columns)
        left = _ADDRESS_WIDTH if addresses else _PITCH / 2
        at = _places(columns, left=left)
        paths = [
            _path(f"cell {state.value}", _SIGNS[state], (at(i) for i in _of(drawn, state)))
            for state in Cell
        ]
        paths.append(_path("cell protected", _bar, (at(i) for i in drawn.protected)))
        labels = _addresses(len(drawn.cells), drawn.cell_bytes) if addresses else []
        return self._picture(
            *labels,
            *(path for path in paths if path is not None),
            width=left + columns * _PITCH + _PITCH / 2,
            height=(rows + 1) * _PITCH,
            title=self._texts("drawing.map"),
            description=description,
            class_="map with-addresses" if addresses else "map",
        )

    def sign(self, name: str) -> Element:
        """One sign of the legend: a `Cell`'s value, or "protected". The name stands beside it."""
        draw = _bar if name == "protected" else _SIGNS[Cell(name)]
        return el(
            "svg",
            el("path", d=draw(7, 7), class_=f"cell {name}"),
            class_="sign",
            viewBox="0 0 14 14",
            aria_hidden="true",
        )

    def read_difference(self, seen: ReadDifference, *, description: str) -> Element:
        """Where two reads differ: the side of a mark grows with the number of bytes."""
        columns = map_columns(len(seen.cells))
        rows = -(-len(seen.cells) // columns)
        at = _places(columns, left=_ADDRESS_WIDTH)
        most = max(seen.cells, default=0)
        quiet = (at(i) for i, differing in enumerate(seen.cells) if not differing)
        marks = [
            el("path", d=_square(1.6 + 2.9 * _weight(n, most))(*at(i)), class_="cell changed")
            for i, n in enumerate(seen.cells)
            if n
        ]
        ground = _path("cell blank", _SIGNS[Cell.BLANK], quiet)
        return self._picture(
            *_addresses(len(seen.cells), seen.cell_bytes),
            *([ground] if ground is not None else []),
            *marks,
            width=_ADDRESS_WIDTH + columns * _PITCH + _PITCH / 2,
            height=(rows + 1) * _PITCH,
            title=self._texts("drawing.difference"),
            description=description,
            class_="map with-addresses",
        )

    def lanes(self, seen: ReadDifference) -> Element:
        """Flips of each data bit as bars, bit 7 first."""
        most = max([*seen.lanes, 1])
        bars: list[Element] = []
        described = []
        for place, bit in enumerate(range(7, -1, -1)):
            flips = seen.lanes[bit]
            y = 4 + 16 * place
            name = self._texts("drawing.lane", bit=bit)
            length = 120 * flips / most
            bars += [
                el("text", name, x=34, y=y + 9, text_anchor="end", class_="small"),
                el("path", d=f"M42 {y:g}h{length:g}v11h{-length:g}z", class_="cell changed"),
                el("text", number(flips), x=48 + length, y=y + 9, class_="small"),
            ]
            described.append(f"{name}: {number(flips)}")
        return self._picture(
            *bars,
            width=230,
            height=136,
            title=self._texts("drawing.lanes"),
            description="; ".join(described),
            class_="lanes",
        )

    def flash_chip(self, chip: Chip) -> Element:
        """An 8-pin body from above, pin 1 and VCC marked, the supply large beside it."""
        supply = _supply_text(chip)
        texts = self._texts
        title = (
            texts("drawing.chip", volts=f"{supply} V")
            if supply
            else texts("drawing.chip-unknown-supply")
        )
        return self._picture(
            el("path", d="M96 24h108q8 0 8 8v124q0 8 -8 8h-108q-8 0 -8 -8v-124q0 -8 8 -8z"),
            *_pins(),
            el("circle", cx=105, cy=43, r=6, class_="pin-1"),
            el("path", d="M105 34V11H66", class_="leader"),
            el("text", texts("drawing.pin-1"), x=60, y=15, text_anchor="end", class_="strong"),
            el("text", supply or "?", x=300, y=100, class_="volts"),
            el("text", "V", x=306 + 33 * max(1, len(supply)), y=100, class_="volts-unit"),
            el("text", self._supply_note(chip), x=302, y=124, class_="small"),
            width=max(460.0, 350 + 33 * len(supply)),
            height=174,
            title=title,
            description=texts("drawing.chip-caption"),
            class_="flash-chip",
        )

    def _supply_note(self, chip: Chip) -> str:
        if chip.declared_volts is not None:
            return self._texts("shelf.supply-declared")
        return self._texts("shelf.supply-not-declared") if chip.supply_volts else ""

    def packages(self, change: PackageChange, *, planned: bool) -> Element:
        """The packages as the record described them, an arrow, and as it does now or shall."""
        texts = self._texts
        before, after = (
            f"{gigabytes(one.capacity_gbit)} GB" for one in (change.before, change.after)
        )
        if change.count is None:
            description = texts("package.description-count-unknown", before=before, after=after)
        else:
            description = texts(
                "package.description", count=change.count, before=before, after=after
            )
        doubted = Open.ROW in change.open or Open.UNIT in change.open
        return self._picture(
            *self._side(change, 0, texts("package.before"), after=False, doubted=doubted),
            el("path", d="M236 82h40m-13 -12l13 12l-13 12", class_="arrow"),
            *self._side(
                change,
                296,
                texts("package.planned" if planned else "package.after"),
                after=True,
                doubted=bool(set(change.open) - {Open.COUNT}),
            ),
            width=520,
            height=146 if change.count is None else 172,
            title=texts("customer.packages-title"),
            description=description,
            class_="packages",
        )

    def _side(
        self, change: PackageChange, left: float, when: str, *, after: bool, doubted: bool
    ) -> list[Element]:
        one = change.after if after else change.before
        texts = self._texts
        counted = (
            texts("package.count-unknown")
            if change.count is None
            else texts("package.count", count=change.count)
        )
        kind = "package now" if after else "package"
        drawn = [
            el("text", when, x=left + 66, y=14),
            el("text", counted, x=left + 56, y=92, class_="count", text_anchor="end"),
        ]
        if change.count is None or change.count > 1:
            drawn.append(el("path", d=_package(left + 74, 20), class_=f"{kind} behind"))
        drawn += [
            el("path", d=_package(left + 66, 28), class_=kind),
            el("circle", cx=left + 78, cy=40, r=3.5, class_="pin-1"),
            el(
                "text",
                texts("package.each", gigabytes=gigabytes(one.capacity_gbit)),
                x=left + 136,
                y=88,
                class_="capacity",
                text_anchor="middle",
            ),
            el(
                "text",
                texts("package.type", gbit=one.capacity_gbit, type=one.type),
                x=left + 136,
                y=110,
                class_="small",
                text_anchor="middle",
            ),
        ]
        if change.count is not None:
            total = texts("package.total", gigabytes=gigabytes(change.count * one.capacity_gbit))
            drawn.append(
                el("text", total, x=left + 136, y=166, class_="total", text_anchor="middle")
            )
        return drawn + (self._question(left + 206, 36) if doubted else [])

    def _question(self, x: float, y: float) -> list[Element]:
        mark = self._texts("page.unproven-mark")
        return [
            el("circle", cx=x, cy=y, r=15, class_="question"),
            el("text", mark, x=x, y=y + 7, class_="question-mark", text_anchor="middle"),
        ]


def map_columns(cell_count: int) -> int:
    """How many cells make a row: a power of two, so that rows begin at round addresses."""
    return 32 if cell_count > 256 else 16 if cell_count > 32 else 8


def _addresses(cell_count: int, cell_bytes: int) -> list[Element]:
    """The first address of some rows, on the left of a grid."""
    columns = map_columns(cell_count)
    rows = -(-cell_count // columns)
    return [
        el(
            "text",
            address(row * columns * cell_bytes),
            x=_ADDRESS_WIDTH - 7,
            y=_PITCH * row + 14,
            class_="address",
            text_anchor="end",
        )
        for row in range(0, rows, max(1, rows // 8))
    ]


def _places(columns: int, *, left: float) -> Callable[[int], tuple[float, float]]:
    def at(index: int) -> tuple[float, float]:
        row, column = divmod(index, columns)
        return left + _PITCH * (column + 0.5), _PITCH * (row + 1)

    return at


def _of(drawn: ChipMap, state: Cell) -> Iterable[int]:
    return (index for index, cell in enumerate(drawn.cells) if cell is state)


def _path(class_: str, draw: Draw, places: Iterable[tuple[float, float]]) -> Element | None:
    """One path for all cells of one kind: a page of a few kilobytes, sharp in print."""
    data = "".join(draw(x, y) for x, y in places)
    return el("path", d=data, class_=class_, fill_rule="evenodd") if data else None


def _weight(differing: int, most: int) -> float:
    """0 for one byte, 1 for the cell with the most."""
    return math.log(differing) / math.log(most) if most > 1 else 1.0


def _supply_text(chip: Chip) -> str:
    if chip.declared_volts is not None:
        return volts(chip.declared_volts)
    if chip.supply_volts is not None:
        low, high = chip.supply_volts
        return f"{volts(low)}-{volts(high)}"
    return ""


# The pins of 8-pin SPI NOR bodies, as in Winbond's W25Q128JV datasheet and all its like.
_LEFT_PINS: Final = ("CS#", "SO", "WP#", "GND")
_RIGHT_PINS: Final = ("VCC", "HOLD#", "SCK", "SI")


def _pins() -> Sequence[Element]:
    drawn: list[Element] = []
    for side, names in ((-1, _LEFT_PINS), (1, _RIGHT_PINS)):
        edge = 150 + side * 62
        for place, name in enumerate(names):
            y = 43 + 34 * place
            pin = place + 1 if side < 0 else 8 - place
            strong = "pin power" if name == "VCC" else "pin"
            drawn += [
                el(
                    "path", d=f"M{edge:g} {y - 6:g}h{side * 18:g}v12h{-side * 18:g}z", class_=strong
                ),
                el(
                    "text",
                    str(pin),
                    x=edge - side * 30 if pin == 1 else edge - side * 12,
                    y=y + 4.5,
                    class_="small inside",
                    text_anchor="middle",
                ),
                el(
                    "text",
                    name,
                    x=edge + side * 24,
                    y=y + 4.5,
                    class_="small strong" if name == "VCC" else "small",
                    text_anchor="end" if side < 0 else "start",
                ),
            ]
    return drawn


def _package(x: float, y: float) -> str:
    return f"M{x + 8:g} {y:g}h124q8 0 8 8v96q0 8 -8 8h-124q-8 0 -8 -8v-96q0 -8 8 -8z"
