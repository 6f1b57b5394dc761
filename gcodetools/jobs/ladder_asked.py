"""What a ladder is asked for, and what a plan of one holds."""

from __future__ import annotations

from gcodetools.jobs.ladder_places import Coupon
from gcodetools.kit.placing import Pose
from gcodetools.kit.schema import Kit
from gcodetools.records import dataclass
from gcodetools.trials.bands import GAP_MM, Bands
from gcodetools.trials.factors import Factor
from gcodetools.trials.runs import Runs

__all__ = ["BY", "ORDERS", "Asked", "Plan", "Specimen"]

BY = ("auto", "instance", "height", "both")
ORDERS = ("random", "rising", "falling")


@dataclass(frozen=True, slots=True)
class Asked:
    """What a ladder is asked for.

    vary : settings with their values. hold : settings that are the same in all specimens. by : of BY. design : of
    runs.DESIGNS; runs : how many of it. repeat : how often each step. bands : how many in a coupon. order : of
    ORDERS, from the bed upward or in the order of printing. gap_mm : at least between bands. outer : flow acts on
    the outermost perimeter too.
    """

    vary: tuple[Factor, ...]
    hold: tuple[Factor, ...] = ()
    by: str = "auto"
    design: str = "grid"
    runs: int | None = None
    repeat: int | None = None
    bands: int | None = None
    order: str = "random"
    seed: int = 1
    gap_mm: float = GAP_MM
    outer: bool = False

    @property
    def held(self) -> dict[str, float]:
        """The settings that are the same in all, by name."""
        return {factor.name: factor.values[0] for factor in self.hold}

    def varies(self, name: str) -> bool:
        """Whether a setting changes from step to step."""
        return any(factor.name == name for factor in self.vary)


@dataclass(frozen=True, slots=True)
class Specimen:
    """number : from 1, as on the picture. step : of the distinct combination, from 1. region : its name in the
    derived kit. layers : of the instance, first and last. settings : asked, varied and held, by name."""

    number: int
    step: int
    pose: Pose
    region: str
    layers: tuple[int, int]
    settings: dict[str, float]


@dataclass(frozen=True, slots=True)
class Plan:
    """A ladder on a plate.

    kit : with a region for each band, and nothing else in it. by : "instance", "height" or "both". layered : whether
    all instances share each layer. bands : of the coupons, empty where each instance is one specimen. coupon : the
    layers they lie in. unused : instances left as sliced. steps : the distinct combinations. greatest : the largest
    correlation of a coordinate with a factor, and between which.
    """

    kit: Kit
    region: str
    by: str
    layered: bool
    specimens: tuple[Specimen, ...]
    steps: tuple[dict[str, float], ...]
    runs: Runs
    coupon: Coupon
    bands: Bands | None
    unused: tuple[Pose, ...]
    greatest: float
    between: tuple[str, str] | None
    notes: tuple[str, ...]
