"""From the facts of a job to one HTML text that needs nothing else: no network, no script."""

from importlib import resources
from typing import Final

from flashbench.report.customer_page import customer_page
from flashbench.report.drawings import Pictures
from flashbench.report.elements import document, el
from flashbench.report.shelf_page import shelf_page
from flashbench.report.texts import Texts, english
from flashbench.report.view import JobView

_NOTHING_FROM_OUTSIDE: Final = "default-src 'none'; style-src 'unsafe-inline'"


def render(view: JobView, texts: Texts | None = None) -> str:
    """Both pages as one HTML document, in English unless other sentences are given."""
    texts = texts or english()
    pictures = Pictures(texts)
    style = resources.files(__package__).joinpath("report.css").read_text("utf-8")
    root = el(
        "html",
        el(
            "head",
            el("meta", charset="utf-8"),
            el("meta", name="viewport", content="width=device-width, initial-scale=1"),
            el("meta", http_equiv="Content-Security-Policy", content=_NOTHING_FROM_OUTSIDE),
            el("meta", name="color-scheme", content="light dark"),
            el("title", texts("page.title", label=view.label)),
            el("style", style),
        ),
        el(
            "body",
            el(
                "main",
                customer_page(view, texts, pictures),
                shelf_page(view, texts, pictures),
            ),
        ),
        lang=texts("page.language"),
    )
    return document(root)
