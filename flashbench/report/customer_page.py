"""The customer's page: one sheet, no hex, no numbers of the board."""

from typing import Final
from xml.etree.ElementTree import Element

from flashbench.report.drawings import Pictures
from flashbench.report.elements import Child, el
from flashbench.report.pages import facts, legend, map_summary, page
from flashbench.report.texts import Texts
from flashbench.report.view import JobView, Outcome, State
from flashbench.report.wording import day, gigabytes, number, short_size

_CHANGED: Final = frozenset({State.PROVEN, State.HALF_WRITTEN})
_TOUCHED: Final = frozenset({State.PREPARED, State.RESTORED, *_CHANGED})
_TYPED_MAX: Final = 120
_PLACES_MAX: Final = 4
_READ_BACK: Final = frozenset({State.PROVEN, State.RESTORED})


def customer_page(view: JobView, texts: Texts, pictures: Pictures) -> Element:
    """The whole page."""
    return page(
        view,
        texts,
        _head(view, texts),
        _packages(view, texts, pictures),
        _figures(view, texts),
        el(
            "div",
            el("div", _words(view, texts), class_="words"),
            el("aside", _map(view, texts, pictures), _codes(view, texts), class_="aside"),
            class_="columns",
        ),
        kind="customer",
    )


def _head(view: JobView, texts: Texts) -> Element:
    state = view.state_key
    lead = texts(f"{state}.lead") if view.outcome is None else ""
    return el(
        "header",
        el(
            "p",
            el("span", texts("customer.kind"), class_="kind"),
            el("span", view.label, class_="label", data_fact="label"),
            el("span", texts("customer.as-of", date=day(view.as_of)), class_="date"),
            class_="running",
        ),
        el("h1", texts(f"{state}.headline")),
        el("p", lead or outcome_text(view.outcome, texts), class_="lead"),
        _booking(view, texts),
    )


def outcome_text(outcome: Outcome | None, texts: Texts) -> str:
    """What became of the board, in sentences; nothing while it is not known."""
    if outcome is None:
        return ""
    said = [texts("outcome.boots" if outcome.boots else "outcome.boots-not")]
    if outcome.memory_shown_gbit is not None:
        memory = f"{gigabytes(outcome.memory_shown_gbit)} GB"
        said.append(texts("outcome.memory", memory=memory))
    if outcome.test_hours is not None:
        errors = number(outcome.test_errors or 0)
        said.append(texts("outcome.test", hours=f"{outcome.test_hours:g}", errors=errors))
    return " ".join(said)


def _booking(view: JobView, texts: Texts) -> Element | None:
    booking = view.booking
    return facts(
        [
            (texts("customer.device"), _short(booking.device), "device"),
            (texts("customer.fault"), _short(booking.fault), "fault"),
            (texts("customer.note"), _short(booking.note), "note"),
        ],
        class_="facts booking",
    )


def _short(text: str | None) -> str | None:
    """As much of what somebody typed as leaves the page on one sheet; the shelf has it all."""
    if text is None or len(text) <= _TYPED_MAX:
        return text
    return f"{text[: _TYPED_MAX - 1].rstrip()}…"


def _packages(view: JobView, texts: Texts, pictures: Pictures) -> Element | None:
    """The packages of the one record that is edited, or that the straps choose."""
    if not view.packages or view.state not in (State.PREPARED, *_CHANGED):
        return None
    change = view.packages[0]
    planned = view.state is not State.PROVEN
    caption = texts("customer.packages-planned" if planned else "customer.packages-caption")
    if change.open:
        caption = f"{caption} {texts('customer.packages-open')}"
    return el(
        "figure",
        pictures.packages(change, planned=planned),
        el("figcaption", caption),
        class_="packages-figure",
    )


def _figures(view: JobView, texts: Texts) -> Element | None:
    if view.original is None:
        return None
    figures = [(texts("package.count", count=2), texts("customer.figure-read"), "reads")]
    if view.changes is not None and view.state is not State.RESTORED:
        size = number(view.original.size)
        done = view.state is State.PROVEN
        sentence = texts(
            "customer.figure-changed" if done else "customer.figure-planned", size=size
        )
        figures.append((number(view.changes.changed_bytes), sentence, "changed-bytes"))
    if view.state in _READ_BACK:
        figures.append(("100 %", texts("customer.figure-verified"), "verified"))
    figures.append(("1", texts("customer.figure-kept"), "kept"))
    return el(
        "ul",
        *(
            el("li", el("b", figure, data_fact=key), " ", el("span", sentence))
            for figure, sentence, key in figures
        ),
        class_="figures",
    )


def _words(view: JobView, texts: Texts) -> Element:
    children: list[Child] = [
        el("p", texts(f"{view.state_key}.done")),
        _unproven(view, texts),
        el("h2", texts("customer.data-title")),
        el("p", " ".join(_data(view, texts))),
    ]
    know = list(_know(view, texts))
    if know:
        children += [
            el("h2", texts("customer.know-title")),
            el("ul", *(el("li", sentence) for sentence in know), class_="know"),
        ]
    return el("div", *children)


def _unproven(view: JobView, texts: Texts) -> Element | None:
    """Which bytes of a best reading came out differently; their places in decimal."""
    best = view.best_reading
    if best is None:
        return None
    if not best.unstable_bytes:
        return el("p", texts("customer.unproven-alike"), data_fact="unproven")
    places = [
        number(one.start) if len(one) == 1 else f"{number(one.start)} to {number(one.stop - 1)}"
        for one in best.unstable
    ]
    shown = ", ".join(places[:_PLACES_MAX])
    more = len(places) - _PLACES_MAX
    if more > 0:
        shown = texts("customer.unproven-more", places=shown, more=number(more))
    said = texts(
        "customer.unproven",
        reads=number(best.read_count),
        count=number(best.unstable_bytes),
        size=number(best.stored.size),
        places=shown,
    )
    return el("p", said, data_fact="unproven")


def _data(view: JobView, texts: Texts) -> list[str]:
    booking = view.booking
    said = [texts("customer.data")]
    touched = view.changes.numbers_touched if view.changes is not None else None
    if view.state is not State.RESTORED and touched is not None:
        said.append(
            texts("customer.data-numbers-touched", kinds=", ".join(touched))
            if touched
            else texts("customer.data-numbers")
        )
    if view.original is not None or view.best_reading is not None:
        said.append(texts("customer.data-copy"))
    if booking.disk_encrypted is not False and view.state in _TOUCHED:
        said.append(texts("customer.data-encryption"))
    if booking.disk_encrypted and booking.recovery_key_at_hand is False:
        said.append(texts("customer.data-no-key"))
    return said


def _know(view: JobView, texts: Texts) -> list[str]:
    said = []
    if view.state in (State.PREPARED, *_CHANGED):
        said += [texts("customer.know-warranty"), texts("customer.know-update")]
    if view.state in _CHANGED and view.best_reading is None:
        said.append(texts("customer.know-back"))
    return said


def _map(view: JobView, texts: Texts, pictures: Pictures) -> Element | None:
    drawn = view.map_after if view.state in (State.PREPARED, *_CHANGED) else view.map_before
    if drawn is None:
        return None
    planned = drawn is view.map_after and view.state is not State.PROVEN
    return el(
        "figure",
        el("h2", texts("customer.map-title")),
        pictures.chip_map(drawn, description=map_summary(texts, drawn), addresses=False),
        legend(texts, pictures, drawn),
        el("figcaption", texts("customer.map-caption", cell=short_size(drawn.cell_bytes))),
        el("figcaption", texts("customer.map-planned")) if planned else None,
    )


def _codes(view: JobView, texts: Texts) -> Element | None:
    best, holds = view.best_reading, view.holds
    before = view.original if best is None else best.stored
    if before is None:
        return None
    prepared = view.images[-1] if view.state is State.PREPARED else None
    return el(
        "div",
        el("h2", texts("customer.codes-title")),
        facts(
            [
                (
                    texts("customer.codes-original" if best is None else "customer.codes-best"),
                    before.code,
                    "original-code" if best is None else "best-reading-code",
                ),
                (texts("customer.codes-holds"), holds.code if holds else None, "holds-code"),
                (
                    texts("customer.codes-image"),
                    prepared.code if prepared else None,
                    "prepared-code",
                ),
            ],
            class_="facts codes",
        ),
        el("p", texts("customer.codes-caption"), class_="caption"),
    )
