"""How charts look, and how they become files or pictures in a page.

Charts are read by shape and line style as well as by grey value, so nothing is lost in a copy or
to a colour-blind reader. Figures are made without pyplot: nothing global is left behind. A chart
drawn twice is the same to the last byte.
"""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

from pipelines.workspace.files import beside
from pipelines.workspace.problems import UserError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

DARK, MIDDLE, LIGHT = "#1a1a1a", "#6b6b6b", "#bcbcbc"
# A disc, a square and a cross, as on the pages.
DISC: dict[str, Any] = {"marker": "o", "ms": 7, "mfc": DARK, "mec": DARK}
SQUARE: dict[str, Any] = {"marker": "s", "ms": 7, "mfc": "white", "mec": DARK, "mew": 1.3}
CROSS: dict[str, Any] = {"marker": "+", "ms": 11, "mec": DARK, "mew": 1.8}
WHISKER: dict[str, Any] = {"color": DARK, "lw": 1.2, "capsize": 3}
LIMIT: dict[str, Any] = {"color": DARK, "lw": 1.1, "ls": (0, (4, 2.5))}
LABEL_PT, LINE_INCHES = 9.5, 0.17
STYLE: dict[str, Any] = {
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans", "Arial", "sans-serif"],
    "font.size": LABEL_PT,
    "axes.titlesize": 10.5,
    "axes.titlelocation": "left",
    "axes.labelsize": LABEL_PT,
    "xtick.labelsize": LABEL_PT,
    "ytick.labelsize": LABEL_PT,
    "legend.fontsize": LABEL_PT,
    "axes.edgecolor": "#9a9a9a",
    "axes.labelcolor": "#333333",
    "xtick.labelcolor": "#333333",
    "ytick.labelcolor": "#333333",
    "xtick.color": "#9a9a9a",
    "ytick.color": "#9a9a9a",
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": "#dcdcdc",
    "grid.linewidth": 0.8,
    "figure.dpi": 200,
    "text.parse_math": False,  # a dollar sign in a name is a dollar sign
    "svg.fonttype": "none",  # text stays text: searched, read aloud, and a third of the size
    "svg.hashsalt": "strikeoff",
    "pdf.fonttype": 42,
}
# Nothing of when and where a chart was made goes into it.
UNDATED = {
    ".svg": {"Date": None, "Creator": None},
    ".pdf": {"CreationDate": None},
    ".png": {"Software": None},
}
SVG = "http://www.w3.org/2000/svg"
LINK = "{http://www.w3.org/1999/xlink}href"


@contextmanager
def style() -> Iterator[None]:
    """Everything drawn inside looks like the other charts; a letter the font lacks is a box."""
    import matplotlib

    with matplotlib.rc_context(STYLE), warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph .* missing from font")
        yield


def figure_of(ax: Axes) -> Figure:
    """The figure that axes are drawn on, the outermost one."""
    return ax.figure.figure


def own_axes(ax: Axes | None, inches: tuple[float, float]) -> Axes:
    """The axes given, or those of a new figure of that size."""
    if ax is not None:
        return ax
    from matplotlib.figure import Figure

    return Figure(figsize=inches, layout="constrained").add_subplot()


def titled(ax: Axes, words: str) -> None:
    """Give axes a title in as many lines as it takes over them, up to four."""
    inches = ax.get_window_extent().width / figure_of(ax).dpi
    ax.set_title(wrapped(words, inches * LABEL_PT / STYLE["axes.titlesize"], 4))


def wrapped(words: str, inches: float, most: int | None = None) -> str:
    """``words`` in lines no wider than ``inches`` in the size of labels, at most ``most`` of them;
    what is longer than a line by itself is broken, if it can be after a hyphen, and what is left
    out told by three dots."""
    lines, line = [], ""
    for word in words.split():
        while _wide(longer := f"{line} {word}".lstrip()) > inches:
            if line:
                lines.append(line)
                line = ""
                continue
            fits = next(n for n in range(len(word) - 1, -1, -1) if _wide(word[:n]) <= inches) or 1
            fits = max(word.rfind(sign, 0, fits) + 1 for sign in "-/") or fits
            lines.append(word[:fits])
            if not (word := word[fits:]):
                break
        else:
            line = longer
    lines += [line] if line else []
    if most is not None and len(lines) > most:
        last = lines[most - 1]
        while last and _wide(f"{last} ...") > inches:
            last = last[:-1]
        lines = [*lines[: most - 1], f"{last.rstrip()} ..."]
    return "\n".join(lines)


def _wide(words: str) -> float:
    """In inches, in the size of labels."""
    return sum(map(_letter, words))


@cache
def _letter(letter: str) -> float:
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    font = FontProperties(family="DejaVu Sans", size=LABEL_PT)  # comes with matplotlib
    with style():
        return float(text_to_path.get_text_width_height_descent(letter, font, ismath=False)[0]) / 72


def refuse_suffix(path: Path) -> None:
    """Raises UserError for a file no chart can be written to."""
    if path.suffix.lower() not in UNDATED:
        raise UserError(f"--figure {path}: call it .png, .pdf or .svg.")


def write(path: Path, figure: Figure, title: str, described: str) -> None:
    """Write a figure as its suffix says, replacing the file only when complete."""
    refuse_suffix(path)
    kind = path.suffix.lower()
    if kind == ".svg":
        data = ElementTree.tostring(_svg(figure, title, described, "chart"), encoding="utf-8")
    else:
        stream = io.BytesIO()
        told = {".pdf": {"Title": title, "Subject": described}, ".png": {"Title": title}}
        with style():
            figure.savefig(stream, format=kind[1:], metadata=UNDATED[kind] | told[kind])
        data = stream.getvalue()
    with beside(path) as fresh:
        fresh.write_bytes(data)


def inline_svg(figure: Figure, title: str, described: str, name: str) -> str:
    """A figure as an ``svg`` element of an HTML page; ``name`` is given once a page."""
    root = _svg(figure, title, described, name)
    for element in root.iter():
        element.tag = element.tag.removeprefix(f"{{{SVG}}}")  # HTML knows the element by itself
    return ElementTree.tostring(root, encoding="unicode")


def _svg(figure: Figure, title: str, described: str, name: str) -> ElementTree.Element:
    """The figure's ``svg`` element with title and description; its ids begin with ``name``."""
    stream = io.BytesIO()
    with style():
        figure.savefig(stream, format="svg", metadata=UNDATED[".svg"], facecolor="none")
    ElementTree.register_namespace("", SVG)
    root = ElementTree.fromstring(stream.getvalue())  # our own: matplotlib wrote it just now
    for parent in list(root.iter()):
        for child in list(parent):
            # what its style sheet sets would hold for the whole page
            if child.tag in (f"{{{SVG}}}metadata", f"{{{SVG}}}style"):
                parent.remove(child)
    used = set(re.findall(rb"(?:url\(|href=\")#([^\")]+)", stream.getvalue()))
    for element in root.iter():
        if element.tag != f"{{{SVG}}}text":
            element.text = None  # indentation
        element.tail = None
        if "id" in element.attrib:
            if element.attrib["id"].encode() in used:
                element.attrib["id"] = f"{name}-{element.attrib['id']}"
            else:
                del element.attrib["id"]
        if LINK in element.attrib:
            element.attrib["href"] = f"#{name}-{element.attrib.pop(LINK)[1:]}"
        for key, value in element.attrib.items():
            if "url(#" in value:
                element.attrib[key] = value.replace("url(#", f"url(#{name}-")
    for key in ("width", "height", "version"):
        root.attrib.pop(key, None)
    root.attrib |= {
        "role": "img",
        "aria-labelledby": f"{name}-t {name}-d",
        "stroke-linejoin": "round",
        "stroke-linecap": "butt",
    }
    for place, (tag, words) in enumerate((("title", title), ("desc", described))):
        element = ElementTree.Element(f"{{{SVG}}}{tag}", id=f"{name}-{tag[0]}")
        element.text = words
        root.insert(place, element)
    return root
