"""A row of the table that `bench.py` makes."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

PROJECT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Row:
    """One measured ratio and the limit it must keep; `at_least` where more is better."""

    what: str
    ratio: float
    limit: float
    detail: str
    where: str = ""
    at_least: bool = False

    @property
    def kept(self) -> bool:
        return self.ratio >= self.limit if self.at_least else self.ratio <= self.limit

    def cells(self) -> str:
        bound = f"{'≥' if self.at_least else '≤'} {self.limit:g}"
        kept = "yes" if self.kept else "**no**"
        return f"| {self.what} | {self.ratio:.3g} | {bound} | {kept} | {self.detail} | {self.where} |"
