"""Facts for the closing rules, written down in a line each: the mast foot of the lightship, by the hour of one day."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from lastlook.closing import records as r
from lastlook.records import (
    Build,
    CaptureTime,
    Closing,
    HoldKind,
    Opening,
    OpeningKind,
    Part,
    Picture,
    PictureKind,
    Plan,
    Quality,
    Run,
    RunStatus,
    Step,
    Subassembly,
)

DAY = datetime(2026, 3, 27, tzinfo=UTC)


def at(hour: float, spread: float = 0.0) -> CaptureTime:
    """An hour of the day, with `spread` hours of doubt to either side."""
    instant, doubt = DAY + timedelta(hours=hour), timedelta(hours=spread)
    return CaptureTime(instant, instant - doubt, instant + doubt, "said", "")


UNKNOWN = CaptureTime(None, None, None, "unknown", "Nothing tells the time.")

PLAN = Plan(
    Build("LV-40", "UTC"),
    subassemblies=(Subassembly("MAST", "Lantern mast"), Subassembly("BHD-11", "Bulkhead 11")),
    openings=(
        Opening("O4", "Mast foot", OpeningKind.BONDED, ("W03", "P-FOOT")),
        Opening("O5", "Base plate", OpeningKind.SCREWED, ("P-J1",)),
    ),
    steps=(Step("S11", "Polarity of the mast runs", "MAST", "test", 1, ("O4",), HoldKind.HOLD, ("W03",)),),
    runs=(
        Run(
            *("W03", "Lantern plus", "WH"),
            gauge_awg=30,
            source="BHD-11.TB.3",
            target="LAN.LED+",
            cut_length_mm=610,
            loop_mm=80,
            polarity="+",
            volts=5.0,
            milliamps=20,
            subassemblies=("MAST", "BHD-11"),
            status=RunStatus.INSTALLED,
            crosses=("O4",),
            outer_mm=0.6,
        ),
    ),
    parts=(Part("P-FOOT", "Mast foot box", "MAST"), Part("P-J1", "Connector J1", "BHD-11")),
)
O4 = PLAN.openings[0]


def picture(id: str, time: CaptureTime, *, sharpness: float = 100.0, phash: int = 0, camera: str = "K-1") -> Picture:
    return Picture(
        *(id, int(id[1:], 16), PictureKind.PHOTO, id, f"{id}.jpg", None, time, camera, 4000, 3000),
        Quality(sharpness, phash, 120.0),
        *("", "", "", "", None),
    )


def seen(
    id: str,
    time: CaptureTime,
    item: str = "W03",
    kind: r.ViewKind = r.ViewKind.CLOSE,
    shows: Iterable[str] = (),
    *,
    sharp: bool | None = True,
    **more: float,
) -> r.Seen:
    view = r.View(id, item, kind, f"u{id}", "ada", tuple(shows), sharp)
    return r.Seen(view, picture(id, time, **more))  # type: ignore[arg-type]  # sharpness and phash by name


def change(
    hour: float, kind: str = "lengthened", item: str = "W03", *, spread: float = 0.0, **more: object
) -> r.Change:
    made = r.Change(item, r.ChangeKind(kind), at(hour, spread), "taut at the mast foot", "ada", f"c{hour}")
    return replace(made, **more)  # type: ignore[arg-type]  # fields by name


def a_test(
    hour: float, kind: str, subject: str = "W03", *, spread: float = 0.0, passed: bool = True, **more: object
) -> r.Test:
    made = r.Test(*(subject, kind, at(hour, spread), passed, "ada", f"t{hour}{kind}"), 4.98, "V", instrument="meter 2")
    return replace(made, **more)  # type: ignore[arg-type]  # fields by name


def measure(hour: float, kind: str, mm: float, item: str = "W03") -> r.Measure:
    return r.Measure(item, r.MeasureKind(kind), mm, at(hour), "ada", f"m{hour}{kind}")


def waiver(hour: float, item: str, what: str = "", opening: str = "O4") -> r.Waiver:
    return r.Waiver(opening, item, what, at(hour), "no line of sight", "M. Holm", f"w{hour}{item}{what}")


def closing(opening: str, shut: CaptureTime, reopened: CaptureTime | None = None) -> Closing:
    return Closing(opening, shut, "epoxy", "ada", f"d{opening}", reopened)


EVERYTHING = r.Facts(
    PLAN,
    changes={"W03": (change(1, "installed"), change(6, length_mm=700.0))},
    measures={"W03": (measure(7, "tail", 330), measure(7, "far-side", 250), measure(7, "route", 600))},
    tests={
        "W03": (
            a_test(8, "continuity", value=0.4, unit="Ω"),
            a_test(8, "polarity"),
            a_test(8, "current", value=20.0, unit="mA"),
        ),
        "O4": (a_test(9, "foreign-object", "O4", value=None, unit="", instrument=""),),
    },
    done={"S11": (r.Done("S11", at(8.5), "ada", "x1"),)},
    releases={
        "S11": (r.Release("S11", at(9), "M. Holm", "seen", "x2"),),
        "O4": (r.Release("O4", at(9.5), "M. Holm", "all seen", "x3"),),
    },
    seen={
        "W03": (
            seen("pa1", at(7), kind=r.ViewKind.CONTEXT),
            seen("pa2", at(7), shows=("from",)),
            seen("pa3", at(7), shows=("to", "crossing:O4")),
        ),
        "P-FOOT": (seen("pb1", at(7), "P-FOOT", r.ViewKind.CONTEXT), seen("pb2", at(7), "P-FOOT")),
    },
)
"""Everything that closing O4 at ten asks for."""
