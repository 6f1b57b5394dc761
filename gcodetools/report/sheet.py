"""A sheet to draw plots on, measured in mm from its top left corner. The only module that needs the plotting library.

Every text is shown as it is, whatever signs it holds. The same drawing gives the same bytes.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gcodetools.errors import UsageError
from gcodetools.kit.drawing import ACCENT, GREY, INK, PAPER, plain_text
from gcodetools.records import dataclass

try:
    import matplotlib
    from matplotlib.axes import Axes
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.collections import LineCollection
    from matplotlib.colors import ListedColormap, LogNorm, Normalize, to_rgb
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D
    from matplotlib.patches import PathPatch, Rectangle
    from matplotlib.path import Path as Outline
    from matplotlib.ticker import FuncFormatter, MaxNLocator
except ImportError:
    matplotlib = None  # type: ignore[assignment]

__all__ = [
    "DARK", "FORMS", "HEAD_PT", "LIGHT", "LINE_MM", "MARGIN_MM", "NOTE_PT", "PT_PER_MM", "READ_PT", "Look", "Sheet",
    "plain_number", "require_plotting", "styled",
]  # fmt: skip

F8 = NDArray[np.float64]
Size = tuple[float, float]

FORMS = ("png", "svg", "pdf")
HEAD_PT, READ_PT, NOTE_PT = 10.0, 8.0, 6.5
MARGIN_MM, LINE_MM = 4.0, 3.7
PT_PER_MM = 72 / 25.4
_DPI = 300
_LEAST_AXES_MM, _MOST_NOTES = 2.0, 4
_STEPS = 256
# Neither a date nor a version, so that a picture changes with its content only.
_METADATA: dict[str, dict[str, Any]] = {
    "png": {"Software": None},
    "svg": {"Date": None, "Creator": None},
    "pdf": {"CreationDate": None, "Creator": "Beadwright", "Producer": None},
}
_STYLE: dict[Any, Any] = {
    "text.parse_math": False,
    "text.usetex": False,
    "font.family": ["DejaVu Sans", "sans-serif"],
    "font.size": READ_PT,
    "svg.fonttype": "none",
    "svg.hashsalt": "beadwright",
    "pdf.fonttype": 42,
    "hatch.linewidth": 0.5,
    "axes.linewidth": 0.6,
}


@dataclass(frozen=True, slots=True)
class Look:
    """Colours of a sheet. quiet : of text that is no heading. unknown : of beads without a value. walls, fills : of
    beads by kind, and `rest`. hues : of regions. scale : stretch of the colour map that stands out from the paper."""

    paper: str
    ink: str
    grey: str
    quiet: str
    accent: str
    unknown: str
    walls: str
    inner: str
    fills: str
    rest: str
    hues: tuple[str, ...]
    scale: tuple[float, float]


LIGHT = Look(
    PAPER, INK, GREY, "#5F666D", ACCENT, "#CCCAC4", "#737B83", "#9AA1A7", "#C3C7C9", "#E4E1DA",
    ("#7F9BB5", "#B3A468", "#A58BA6", "#7FA89B", "#B98F7C", "#93989E"), (0.0, 0.93),
)  # fmt: skip
DARK = Look(
    "#1B1E22", "#E8E4DC", "#9AA1A8", "#A9AFB5", "#DE8A5E", "#3B4046", "#A2A8AE", "#7C838A", "#565C63", "#33383D",
    ("#5F7F9F", "#8D8049", "#86698A", "#578678", "#976B59", "#767C83"), (0.34, 1.0),
)  # fmt: skip


def require_plotting() -> None:
    """Ask for the plotting library where it is missing.

    Raises
    ------
    UsageError : it is not installed.
    """
    if matplotlib is None:
        raise UsageError(
            "plots need the plotting library, which is not installed",
            "Install it with: pip install 'beadwright[plot]'",
        )


@contextmanager
def styled() -> Iterator[None]:
    """The house's style, whatever the user's own settings of the library say; signs that the font lacks are drawn as
    boxes and not warned of."""
    with matplotlib.rc_context(), warnings.catch_warnings():
        matplotlib.rcdefaults()
        for key, value in _STYLE.items():
            matplotlib.rcParams[key] = value
        warnings.filterwarnings("ignore", message=".*[Gg]lyph.*missing")
        yield


class Sheet:
    """A figure. size_mm : width and height. dark : dark paper."""

    def __init__(self, size_mm: Size, dark: bool) -> None:
        self.width, self.height = size_mm
        self.look = DARK if dark else LIGHT
        self.figure = Figure(figsize=(self.width / 25.4, self.height / 25.4), facecolor=self.look.paper)
        self._renderer = FigureCanvasAgg(self.figure).get_renderer()  # type: ignore[no-untyped-call]
        self.frame = self.figure.add_axes((0.0, 0.0, 1.0, 1.0), zorder=-1)
        self.frame.set_axis_off()
        self.frame.set_xlim(0, self.width)
        self.frame.set_ylim(self.height, 0)

    def axes(self, x: float, y: float, width: float, height: float, **kw: Any) -> Axes:
        """Axes at x, y (their top left corner) with thin quiet spines, mm.

        Raises
        ------
        UsageError : the sheet is too small for them.
        """
        if min(width, height) < _LEAST_AXES_MM:
            raise UsageError(
                f"--size {self.width:g}x{self.height:g}: too small for what is to be drawn and its texts",
                "Give a larger --size.",
            )
        w, h = self.width, self.height
        axes: Axes = self.figure.add_axes((x / w, 1 - (y + height) / h, width / w, height / h), **kw)
        axes.set_facecolor("none")
        axes.tick_params(colors=self.look.quiet, labelsize=READ_PT, width=0.6, length=2.5, pad=2.0)
        for spine in axes.spines.values():
            spine.set_color(self.look.grey)
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        for axis, room in ((axes.xaxis, width / 6.0), (axes.yaxis, height / 6.0)):
            axis.set_major_formatter(self.formatter())
            axis.set_major_locator(MaxNLocator(nbins=min(max(int(room), 1), 6), steps=[1, 2, 2.5, 5, 10]))
        return axes

    def formatter(self) -> FuncFormatter:
        """Of the numbers beside ticks."""
        return FuncFormatter(lambda value, _: plain_number(value))

    def bare(
        self, x: float, y: float, width: float, height: float, box: tuple[float, float, float, float]
    ) -> Axes:
        """Axes without spines that show a box (x0, y0, x1, y1)."""
        axes = self.axes(x, y, width, height)
        axes.set_axis_off()
        axes.set_xlim(box[0], box[2])
        axes.set_ylim(box[1], box[3])
        return axes

    def text(
        self, x: float, y: float, words: str, *, size: float = READ_PT, quiet: bool = False, **kw: Any
    ) -> None:
        """Words with their baseline at y."""
        colour = self.look.quiet if quiet else self.look.ink
        self.frame.text(x, y, plain_text(words), fontsize=size, color=kw.pop("color", colour), **kw)

    def wide(self, words: str, size: float = READ_PT) -> float:
        """Width of words, mm."""
        probe = self.frame.text(0, 0, plain_text(words), fontsize=size)
        box = probe.get_window_extent(self._renderer)
        probe.remove()
        return float(box.width) / self.figure.dpi * 25.4

    def fitted(self, words: str, room_mm: float, size: float = READ_PT) -> str:
        """Words, cut in their middle where the room is too narrow."""
        if self.wide(words, size) <= room_mm:
            return words
        low, high = 0, len(words)
        while low < high:
            kept = (low + high + 1) // 2
            low, high = (kept, high) if self.wide(_cut(words, kept), size) <= room_mm else (low, kept - 1)
        return _cut(words, low)

    def lines_of(self, words: str, room_mm: float, size: float) -> list[str]:
        """Words broken at blanks into lines that fit."""
        lines: list[str] = []
        for word in words.split():
            longer = f"{lines[-1]} {word}" if lines else word
            if lines and self.wide(longer, size) <= room_mm:
                lines[-1] = longer
            else:
                lines.append(self.fitted(word, room_mm, size))
        return lines

    def heading(self, title: str, subtitle: str, room_mm: float) -> float:
        """Title and subtitle; where what is below begins, mm."""
        x, y = MARGIN_MM, MARGIN_MM + 3.2
        self.text(x, y, self.fitted(title, room_mm, HEAD_PT), size=HEAD_PT)
        self.text(x, y + 4.2, self.fitted(subtitle, room_mm), quiet=True)
        return y + 4.2 + 2.8

    def note(self, words: str) -> float:
        """A note at the foot, as far as four lines hold it; where it begins, mm."""
        lines = self.lines_of(words, self.width - 2 * MARGIN_MM, NOTE_PT)
        if len(lines) > _MOST_NOTES:
            lines = [
                *lines[: _MOST_NOTES - 1],
                self.fitted(f"{lines[_MOST_NOTES - 1]} …", self.width - 2 * MARGIN_MM, NOTE_PT),
            ]
        for k, line in enumerate(reversed(lines)):
            self.text(MARGIN_MM, self.height - MARGIN_MM - 2.8 * k + 0.6, line, size=NOTE_PT, quiet=True)
        return self.height - MARGIN_MM - 2.8 * len(lines) - (1.0 if lines else 0.0)

    def swatch(self, x: float, y: float, face: str, hatch: str = "", width: float = 6.0) -> None:
        """A small rectangle whose middle is at y."""
        self.patch(x, y - 1.4, width, 2.8, face, hatch)

    def patch(self, x: float, y: float, width: float, height: float, face: str, hatch: str) -> None:
        """A rectangle with hatching, its top left corner at x, y."""
        self.frame.add_patch(
            Rectangle(
                (x, y),
                width,
                height,
                facecolor=face,
                edgecolor=self.look.ink,
                linewidth=0,
                hatch=hatch or None,
            )
        )

    def rgb(self, colour: str) -> tuple[float, float, float]:
        """Parts of a colour, 0 to 1."""
        return to_rgb(colour)

    def stroke(self, xs: Sequence[float], ys: Sequence[float], **kw: Any) -> None:
        """A line on the sheet, mm."""
        self.frame.add_line(Line2D(xs, ys, **kw))

    def strokes(self, axes: Axes, lines: Sequence[F8], **kw: Any) -> LineCollection:
        """Lines with round ends and corners."""
        collection = LineCollection(lines, capstyle=kw.pop("capstyle", "round"), joinstyle="round", **kw)
        axes.add_collection(collection, autolim=False)
        return collection

    def hatched(self, axes: Axes, rings: Sequence[F8], hatch: str) -> None:
        """Hatching in an area given by its rings, holes among them."""
        if rings:
            outline = Outline.make_compound_path(*(Outline(ring, closed=True) for ring in rings))
            axes.add_patch(
                PathPatch(
                    outline, facecolor="none", edgecolor=self.look.ink, hatch=hatch, linewidth=0.0, zorder=3
                )
            )

    def scale(self) -> ListedColormap:
        """Colours from low to high, evenly spaced for the eye, that stand out from the paper."""
        whole = matplotlib.colormaps["cividis"](np.arange(_STEPS))
        at = np.linspace(*self.look.scale, _STEPS) * (_STEPS - 1)
        colours = np.column_stack([np.interp(at, np.arange(_STEPS), column) for column in whole.T])
        return ListedColormap(colours, name="even")

    def norm(self, low: float, high: float, log: bool) -> Normalize:
        """From values to the scale."""
        return LogNorm(low, high) if log else Normalize(low, high)

    def bytes(self, form: str) -> bytes:
        """The sheet as a file: "png", "svg" or "pdf"."""
        store = io.BytesIO()
        self.figure.savefig(store, format=form, dpi=_DPI, facecolor=self.look.paper, metadata=_METADATA[form])
        return store.getvalue()


def plain_number(value: float) -> str:
    """A tick's number."""
    return f"{round(value, 9):g}".replace("-", "−")


def _cut(words: str, kept: int) -> str:
    head = (kept + 1) // 2
    return f"{words[:head]}…{words[len(words) - (kept - head) :]}"
