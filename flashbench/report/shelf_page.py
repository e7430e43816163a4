"""The shelf's page: everything that the job knows, for whoever takes the folder up years later."""

from collections.abc import Sequence
from typing import Final
from xml.etree.ElementTree import Element

from flashbench.image.memory_package import MemoryPackage, capacity_text
from flashbench.report.customer_page import outcome_text
from flashbench.report.drawings import Pictures
from flashbench.report.elements import Child, el
from flashbench.report.pages import facts, legend, map_summary, page, part
from flashbench.report.story import OTHER
from flashbench.report.texts import Texts
from flashbench.report.view import (
    ChipMap,
    Described,
    JobView,
    MemoryRow,
    MemoryTable,
    Moment,
    PackageChange,
    ReadDifference,
    State,
    StoredFile,
)
from flashbench.report.wording import address, flash_size, number, second, short_size, volts

_RANGES_MAX: Final = 24


def shelf_page(view: JobView, texts: Texts, pictures: Pictures) -> Element:
    """The whole page."""
    return page(
        view,
        texts,
        el(
            "header",
            el(
                "p",
                el("span", texts("shelf.kind"), class_="kind"),
                el("span", texts("customer.as-of", date=second(view.as_of)), class_="date"),
                class_="running",
            ),
            el("h1", view.label),
        ),
        _job(view, texts),
        _booking(view, texts),
        _chip(view, texts, pictures),
        _contents(view, texts),
        _maps(view, texts, pictures),
        _packages(view, texts, pictures),
        _memory(view, texts),
        _changes(view, texts),
        _disagreements(view, texts, pictures),
        _timeline(view, texts),
        kind="shelf",
    )


def _job(view: JobView, texts: Texts) -> Element | None:
    state = texts(f"{view.state_key}.headline")
    if view.on_new_chip:
        state = f"{state} ({texts('shelf.on-new-chip')})"
    adapter = "; ".join(f"{name} {value}" for name, value in view.adapter if value)
    coming = el(
        "p",
        el("code", view.next.command, data_fact="next-command"),
        el("br"),
        texts("shelf.next-because", why=view.next.why),
    )
    return part(
        texts("shelf.job"),
        facts(
            [
                (texts("shelf.label"), view.label, "shelf-label"),
                (texts("shelf.created"), second(view.created), "created"),
                (texts("shelf.round"), str(view.round_number), "round"),
                (texts("shelf.state"), state, "state"),
                (texts("outcome.title"), outcome_text(view.outcome, texts), "outcome"),
                (texts("shelf.proven"), "; ".join(view.next.proven), "proven"),
                (texts("shelf.adapter"), adapter, "adapter"),
            ]
        ),
        el("h3", texts("shelf.next")),
        coming,
    )


def _booking(view: JobView, texts: Texts) -> Element | None:
    booking = view.booking
    count = booking.packages_on_board
    photos = [
        el(
            "tr",
            el("th", photo.name, scope="row"),
            el("td", el("code", photo.sha256, class_="hash")),
        )
        for photo in view.photos
    ]
    return part(
        texts("shelf.booking"),
        facts(
            [
                (texts("customer.device"), booking.device, None),
                (texts("shelf.board-number"), booking.board_number, None),
                (texts("customer.fault"), booking.fault, None),
                (texts("customer.note"), booking.note, None),
                (texts("shelf.condition"), booking.condition, None),
                (texts("shelf.straps"), booking.straps, "straps"),
                (texts("shelf.packages-on-board"), str(count) if count else None, None),
                (texts("shelf.old-package"), booking.was_marking or _part(booking.was), None),
                (
                    texts("shelf.new-package"),
                    booking.fitted_marking or _part(booking.fitted),
                    None,
                ),
                (texts("shelf.known-from"), booking.fitted_known_from, None),
                (texts("shelf.encrypted"), _yes_or_no(booking.disk_encrypted, texts), None),
                (
                    texts("shelf.recovery-key"),
                    _yes_or_no(booking.recovery_key_at_hand, texts),
                    None,
                ),
                (texts("shelf.entitled"), _yes_or_no(booking.entitled, texts), None),
            ]
        ),
        _table([texts("shelf.photos"), texts("shelf.sha256")], photos, class_="stacks")
        if photos
        else None,
    )


def _part(package: MemoryPackage | None) -> str | None:
    return None if package is None else package.part


def _yes_or_no(said: bool | None, texts: Texts) -> str | None:
    return None if said is None else texts("shelf.yes" if said else "shelf.no")


def _sentences(said: Sequence[str]) -> str:
    """Sentences in a row; what ends without a full stop gets one."""
    return " ".join(text if text.endswith((".", "?")) else f"{text}." for text in said)


def _chip(view: JobView, texts: Texts, pictures: Pictures) -> Element | None:
    chip = view.chip
    size = flash_size(chip.size_bytes)
    if chip.size_sources:
        size = texts("shelf.size-from", size=size, sources=", ".join(chip.size_sources))
    registers = ", ".join(f"{name} {value:02X}h" for name, value in chip.registers)
    doubts = [*chip.doubts, *([chip.size_doubt] if chip.size_doubt else [])]
    return part(
        texts("shelf.chip"),
        el(
            "figure",
            pictures.flash_chip(chip),
            el("figcaption", texts("drawing.chip-caption")),
        ),
        facts(
            [
                (texts("shelf.parts"), ", ".join(chip.parts), "parts"),
                (texts("shelf.marking"), chip.marking, "marking"),
                (texts("shelf.jedec-id"), _spaced(chip.jedec_id), "jedec-id"),
                (texts("shelf.unique-id"), _spaced(chip.unique_id or ""), "unique-id"),
                (texts("shelf.size"), size, "chip-size"),
                (texts("shelf.supply"), _supply(view, texts), "supply"),
                (texts("shelf.registers"), registers, "registers"),
                (texts("shelf.reads"), "; ".join(view.read_ways), "read-ways"),
                (texts("shelf.best-reading"), _best_reading(view, texts), "best-reading"),
                (texts("shelf.doubts"), _sentences(doubts), "doubts"),
            ]
        ),
    )


def _best_reading(view: JobView, texts: Texts) -> str | None:
    best = view.best_reading
    if best is None:
        return None
    ranges = [
        address(one.start) if len(one) == 1 else f"{address(one.start)} to {address(one.stop - 1)}"
        for one in best.unstable
    ]
    shown = ", ".join(ranges[:_RANGES_MAX])
    if len(ranges) > _RANGES_MAX:
        shown += ", ..."
    return texts(
        "shelf.best-reading-says",
        reads=number(best.read_count),
        count=number(best.unstable_bytes),
        ranges=shown or "-",
    )


def _supply(view: JobView, texts: Texts) -> str:
    chip = view.chip
    said = []
    if chip.supply_volts is not None:
        low, high = chip.supply_volts
        said.append(texts("shelf.supply-range", low=volts(low), high=volts(high)))
    if chip.supply_known_from:
        source = chip.supply_known_from
        if source == "user":
            source = texts("shelf.supply-user")
        said.append(texts("shelf.supply-from", source=source))
    if chip.declared_volts is not None:
        said.append(f"{volts(chip.declared_volts)} V {texts('shelf.supply-declared')}")
    return "; ".join(said)


def _contents(view: JobView, texts: Texts) -> Element | None:
    if not view.files:
        return None
    names = [texts(f"shelf.{name}") for name in ("contents", "code", "sha256")]
    rows = [_file_row(file, view, texts) for file in view.files]
    return part(texts("shelf.contents"), _table(names, rows, class_="stacks"))


def _file_row(file: StoredFile, view: JobView, texts: Texts) -> Element:
    this_round = file.round_number == view.round_number
    holds = this_round and view.holds is not None and file.name == view.holds.name
    key = f"round-{file.round_number}-{file.name.replace(' ', '-')}"
    name = texts("shelf.contents-of", round=file.round_number, name=file.name)
    return el(
        "tr",
        el("th", name, scope="row"),
        el("td", file.code, class_="code", data_fact=f"{key}-code"),
        el(
            "td",
            el("code", file.sha256, data_fact=f"{key}-sha256", class_="hash"),
            el("span", texts("shelf.holds"), class_="tag") if holds else None,
        ),
    )


def _maps(view: JobView, texts: Texts, pictures: Pictures) -> Element | None:
    before, after = view.map_before, view.map_after
    if before is None:
        return None
    figures = [(before, texts("shelf.map-before", round=view.round_number), "map-before")]
    if after is not None and view.changes is not None:
        title = texts("shelf.map-after", name=view.changes.image_name)
        figures.append((after, title, "map-after"))
    return part(
        texts("shelf.map"),
        legend(texts, pictures, before, after),
        el(
            "div",
            *(_map(drawn, title, key, texts, pictures) for drawn, title, key in figures),
            class_="maps",
        ),
        _board_wrote(view, texts),
    )


def _map(drawn: ChipMap, title: str, key: str, texts: Texts, pictures: Pictures) -> Element:
    summary = map_summary(texts, drawn)
    return el(
        "figure",
        el("h3", title),
        pictures.chip_map(drawn, description=summary, addresses=True),
        el("figcaption", summary, data_fact=key),
    )


def _board_wrote(view: JobView, texts: Texts) -> Element | None:
    wrote = view.board_wrote
    if wrote is None:
        return None
    if not wrote.byte_count:
        sentence = texts("shelf.board-wrote-nothing", round=wrote.round_number)
    else:
        sentence = texts(
            "shelf.board-wrote",
            round=wrote.round_number,
            count=number(wrote.byte_count),
            stretches=number(wrote.stretch_count),
        )
    return el("p", sentence, data_fact="board-wrote")


def _packages(view: JobView, texts: Texts, pictures: Pictures) -> Element | None:
    return part(
        texts("shelf.packages"),
        *(_package(change, view, texts, pictures) for change in view.packages),
    )


def _package(change: PackageChange, view: JobView, texts: Texts, pictures: Pictures) -> Element:
    open_questions = [
        el("li", texts(f"package.open.{one.value}", index=change.index_text))
        if one.value == "row"
        else el("li", texts(f"package.open.{one.value}"))
        for one in change.open
    ]
    return el(
        "figure",
        pictures.packages(change, planned=view.state is not State.PROVEN),
        el("figcaption", change.part) if change.part else None,
        el("h3", f"{texts('page.unproven-mark')} {texts('package.open-title')}")
        if open_questions
        else None,
        el("ul", *open_questions, class_="open") if open_questions else None,
    )


def _memory(view: JobView, texts: Texts) -> Element | None:
    left_out = view.tables_left_out
    return part(
        texts("shelf.memory"),
        *(_memory_table(table, texts) for table in view.tables),
        el("p", texts("shelf.memory-more", count=number(left_out))) if left_out else None,
    )


def _memory_table(table: MemoryTable, texts: Texts) -> Element:
    offset, stride = address(table.offset), number(table.stride)
    title = texts("shelf.memory-table", offset=offset, stride=stride)
    if table.copies:
        copies = ", ".join(address(copy) for copy in table.copies)
        title = f"{title}; {texts('shelf.memory-copies', offsets=copies)}"
    known = any(_marks(row, texts) for row in table.rows)
    names = ["memory-index", "changes-offset", "memory-says"]
    names += ["memory-fits"] if known else []
    return el(
        "div",
        el("h3", title),
        _table(
            [texts(f"shelf.{name}") for name in names],
            [_memory_row(row, texts, with_fits=known) for row in table.rows],
            class_="stacks",
        ),
        el("p", table.verdict, class_="verdict"),
        *(el("p", note, class_="caption") for note in table.notes),
        el("p", texts("shelf.memory-caption"), class_="caption"),
    )


def _memory_row(row: MemoryRow, texts: Texts, *, with_fits: bool) -> Element:
    now = row.after or row.before
    says: list[Child] = [
        texts("shelf.memory-none") if now is None else _described(now, texts),
    ]
    if row.after is not None and row.before is not None:
        was = texts("shelf.memory-was", described=_described(row.before, texts))
        says.append(el("span", was, class_="was"))
    says += [el("span", doubt, class_="was") for doubt in (now.doubts if now else ())]
    return el(
        "tr",
        el("th", row.index_text, scope="row"),
        el("td", el("code", address(row.offset))),
        el("td", *says),
        el("td", *_marks(row, texts)) if with_fits else None,
        class_="edited" if row.changed else None,
    )


def _marks(row: MemoryRow, texts: Texts) -> list[Element]:
    marks = [
        el("span", texts(f"shelf.{name}"), class_="tag")
        for name, holds in (
            ("memory-changed", row.changed),
            ("memory-chosen", row.chosen_by_straps),
            ("memory-fits-was", row.fits_was is True),
            ("memory-describes", row.describes_fitted is True),
        )
        if holds
    ]
    if row.misfits:
        names = (f"attribute.{name}" for name in row.misfits)
        said = ", ".join(texts(name) for name in names if texts.has(name))
        misfits = texts("shelf.memory-misfits", attributes=said)
        marks.append(el("span", misfits, class_="was"))
    return marks


def _described(one: Described, texts: Texts) -> str:
    return texts(
        "shelf.memory-described",
        type=one.type,
        capacity=capacity_text(one.capacity_gbit),
        unit=one.capacity_of,
        density=one.density_gbit,
        ranks=one.ranks,
        width=one.width_bits,
        speed=one.speed_mtps,
    )


def _changes(view: JobView, texts: Texts) -> Element | None:
    changes = view.changes
    if changes is None:
        return None
    rows = [
        el(
            "tr",
            el("td", el("code", address(stretch.offset))),
            el("td", number(stretch.length), class_="number"),
            el("td", "; ".join(stretch.names) or texts("shelf.changes-unnamed")),
        )
        for stretch in changes.stretches
    ]
    more = changes.stretch_count - len(changes.stretches)
    return part(
        texts("shelf.changes"),
        el(
            "p",
            texts(
                "shelf.changes-summary",
                name=changes.image_name,
                count=number(changes.changed_bytes),
                stretches=number(changes.stretch_count),
            ),
            data_fact="changes",
        ),
        facts(
            [
                (texts("shelf.edit-about"), changes.about, None),
                (texts("shelf.edit-doubts"), _sentences(changes.doubts), "edit-doubts"),
                (texts("shelf.edit-questions"), _sentences(changes.questions), "edit-questions"),
            ]
        ),
        _table(
            [
                texts(f"shelf.{name}")
                for name in ("changes-offset", "changes-length", "changes-names")
            ],
            rows,
            class_="sheet",
        ),
        el("p", texts("shelf.changes-more", count=number(more))) if more else None,
        el("pre", changes.listing, tabindex="0"),
        class_="long",
    )


def _disagreements(view: JobView, texts: Texts, pictures: Pictures) -> Element | None:
    return part(
        texts("shelf.disagreement"),
        *(_disagreement(seen, texts, pictures) for seen in view.read_differences),
    )


def _disagreement(seen: ReadDifference, texts: Texts, pictures: Pictures) -> Element:
    one, two = seen.names
    if seen.first is None:
        return el("p", texts("shelf.disagreement-equal", one=one, two=two))
    sentence = texts(
        "shelf.disagreement-caption",
        one=one,
        two=two,
        count=number(seen.byte_count),
        first=address(seen.first),
        rising=number(seen.rising_bits),
        falling=number(seen.falling_bits),
    )
    return el(
        "div",
        el("p", sentence, data_fact=f"difference-{one}"),
        el(
            "div",
            el(
                "figure",
                pictures.read_difference(seen, description=sentence),
                el(
                    "figcaption",
                    texts("shelf.disagreement-cell", cell=short_size(seen.cell_bytes)),
                ),
            ),
            el(
                "figure",
                pictures.lanes(seen),
                el("figcaption", texts("shelf.disagreement-lanes")),
            ),
            class_="maps",
        ),
    )


def _timeline(view: JobView, texts: Texts) -> Element | None:
    children: list[Child] = []
    for story in view.story:
        children += [
            el("h3", texts("shelf.timeline-round", round=story.round_number)),
            el("ol", *(_moment(moment, texts) for moment in story.moments), class_="timeline"),
        ]
    children.append(el("p", texts("shelf.timeline-utc"), class_="caption"))
    return part(texts("shelf.timeline"), *children, class_="long")


def _moment(moment: Moment, texts: Texts) -> Element:
    key = f"moment.{moment.kind}"
    facts_said = dict(moment.facts)
    sentence = (
        texts(key, **facts_said) if texts.has(key) else texts(f"moment.{OTHER}", kind=moment.kind)
    )
    return el(
        "li",
        el("time", second(moment.at), datetime=moment.at),
        el("span", sentence),
        class_=moment.kind,
    )


def _table(names: Sequence[str], rows: Sequence[Element], *, class_: str | None = None) -> Element:
    numbers = [child.get("class") for child in rows[0]] if rows else [None] * len(names)
    heading = el(
        "tr",
        *(
            el("th", name, scope="col", class_="number" if kind == "number" else None)
            for name, kind in zip(names, numbers, strict=True)
        ),
    )
    for row in (heading, *rows):  # said outright: on a phone the rows are laid out as blocks
        row.set("role", "row")
        for cell in row:
            scope = cell.get("scope")
            cell.set("role", f"{scope.replace('col', 'column')}header" if scope else "cell")
    groups = [el("thead", heading, role="rowgroup"), el("tbody", *rows, role="rowgroup")]
    table = el("table", *groups, class_=class_, role="table")
    return el("div", table, class_="scroll", tabindex="0")


def _spaced(text: str) -> str:
    """Hex in pairs; other text as it is."""
    try:
        return bytes.fromhex(text).hex(" ").upper()
    except ValueError:
        return text
