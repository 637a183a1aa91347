"""Reports and worksheets as HTML, one file with everything in it, and the same as PDF."""

from __future__ import annotations

import io
import re
from functools import lru_cache
from pathlib import Path
from typing import Any

from benchodds.basics.errors import FileError
from benchodds.basics.language import _, language, ngettext
from benchodds.basics.text import shown
from benchodds.keep.outputs import free, write
from benchodds.screens.report import Report
from benchodds.screens.worksheet import Worksheet


@lru_cache(maxsize=1)
def environment() -> Any:
    """The templates of the package, escaping all that they are given, for HTML and for eyes."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=PackageLoader("benchodds"),
        autoescape=True,
        finalize=lambda value: shown(value) if type(value) is str else value,
        undefined=StrictUndefined,
        extensions=["jinja2.ext.i18n"],
    )
    made.install_gettext_callables(_, ngettext)  # type: ignore[attr-defined]
    made.globals["language"] = language
    return made


def _css() -> Any:
    from markupsafe import Markup

    source, _, _ = environment().loader.get_source(environment(), "base.css")
    return Markup(source)


def report_html(report: Report, path_svg: str) -> str:
    """The report as one HTML page; ``path_svg`` is a figure of our own making."""
    page: str = (
        environment().get_template("report.html").render(r=report, path_svg=path_svg, css=_css())
    )
    return page


def worksheet_html(sheet: Worksheet) -> str:
    """The worksheet as one HTML page."""
    page: str = environment().get_template("worksheet.html").render(w=sheet, css=_css())
    return page


def svg_text(figure: Any) -> str:
    """A matplotlib figure as an SVG element to stand inside a page; text stays text."""
    import matplotlib as mpl

    out = io.StringIO()
    with mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": "benchodds"}):
        figure.savefig(out, format="svg", metadata={"Date": None})
    text = out.getvalue()
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    return text[text.index("<svg") :]


def write_pages(html: str, target: Path, overwrite: bool = False) -> list[Path]:
    """Write HTML, or PDF, or both, by the target's suffix (none: both).

    Raises
    ------
    FileError
        When a file is there already or cannot be written, or PDF cannot be made here (the HTML
        is still written).
    """
    suffix = target.suffix.lower()
    if suffix not in ("", ".html", ".pdf"):
        raise FileError(
            _("'{target}' should end in .html or .pdf, or have no suffix for both").format(
                target=target.name
            )
        )
    paths = [target.with_suffix(s) for s in (".html", ".pdf") if suffix in ("", s)]
    for path in paths:
        free(path, overwrite)
    for path in paths:
        write(path, [html if path.suffix == ".html" else _pdf(html)], overwrite)
    return paths


def _pdf(html: str) -> bytes:
    try:
        import weasyprint
    except (ImportError, OSError):
        raise FileError(
            _(
                "PDF needs the extra 'pdf' (pip install \"benchodds[pdf]\") and the Pango "
                "library of your system; the same page as .html prints from any browser"
            )
        ) from None

    def nothing_outside(url: str, *_: Any, **__: Any) -> Any:
        raise ValueError(f"a page asks for {url}; pages hold everything themselves")

    document = weasyprint.HTML(string=html, url_fetcher=nothing_outside)
    data: bytes = document.write_pdf()
    return data
