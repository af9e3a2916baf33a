"""The hearing bench's figures as tables. Measures nothing."""

import sys
from collections.abc import Mapping, Sequence
from typing import Any

from rich import box
from rich.console import Console
from rich.table import Table

Figures = Mapping[str, Any]

WIDTH = 132
"""Columns where the output is no terminal."""

LIMITS_PER_HOUR = (1, 10)
"""False accepts on human speech that the curve is read off at."""


def show(figures: Figures) -> None:
    """Print all of it."""
    console = Console(width=None if sys.stdout.isatty() else WIDTH, highlight=False, markup=False)
    how = {"name": f'after "{figures["name"]}"', "switch": "foot switch held", "open": "listening openly"}
    room = "each in a room" if figures["room"] else "no room"
    console.rule()
    console.print(f"{figures['engine']}, {how[figures['listening']]}, {figures['half']} half", style="bold")
    console.print(
        f"{figures['sentences']} sentences, {len(figures['voices'])} voices, {room}, noise {figures['noise']}; "
        f"peak memory of a process that only listens {figures['peak_memory_mb']:.0f} MB\n"
    )
    conditions, trials = figures["conditions"], figures["alone"]
    parts = [
        ("Commands, % of clips; time from the end of speech to the decision", _commands(conditions)),
        ("By noise, % right / % wrong", _by_noise(conditions)),
        ("No command said (human speech is at three speeds: a third of the minutes is new)", _alone(trials)),
    ]
    if "curve" in figures:
        title = f"As the least {figures['curve']['field']} moves: % right / % wrong, and false accepts per hour"
        parts.append((title, _curve(figures["curve"], conditions, trials)))
    for title, table in parts:
        if table.row_count:
            console.print(title, style="bold")
            console.print(table)
    for line in _read_off(figures["curve"], trials) if "curve" in figures else ():
        console.print(line)


def _table(left: str, *columns: str) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column(left, no_wrap=True)
    for column in columns:
        table.add_column(column, justify="right", no_wrap=True)
    return table


def _percent(part: int, whole: int) -> str:
    return f"{100 * part / whole:.1f}" if whole else "-"


def _db(snr: str) -> str:
    return snr if snr == "clean" else f"{snr} dB"


def _commands(conditions: Sequence[Figures]) -> Table:
    table = _table(
        "SNR",
        *("clips", "right", "rejected", "with a\ncue", "wrong", "only in\na slot", "no number:\nright", "\nwrong"),
        *("accepted\nbeside", "median\nms", "p95\nms", "CPU s\nper hour"),
    )
    for row in conditions:
        clips, near, plain = row["clips"], row.get("near", 0), row.get("plain", 0)
        shares = (row.get("right", 0), near + row.get("silent", 0), near, row.get("wrong", 0), row.get("slot", 0))
        table.add_row(
            _db(row["snr"]),
            str(clips),
            *(_percent(share, clips) for share in shares),
            *(_percent(row.get(f"plain {kind}", 0), plain) for kind in ("right", "wrong")),
            str(row.get("beside", 0)),
            *(f"{row['late_ms'][which]:.0f}" if row["late_ms"] else "-" for which in ("median", "p95")),
            f"{row['cpu_s_per_hour']:.0f}",
        )
    return table


def _alone(trials: Sequence[Figures]) -> Table:
    columns = (
        "minutes",
        "utterances",
        "accepted",
        "per hour",
        "at most\n(95 %)",
        "refused\nwith a cue",
        "CPU s\nper hour",
    )
    table = _table("", *columns)
    for row in trials:
        rates = (f"{row['per_hour']:.1f}", f"{row['at_most_per_hour']:.1f}")
        counts = (f"{row['audio_s'] / 60:.1f}", str(row["utterances"]), str(row["accepted"]))
        table.add_row(row["kind"], *counts, *rates, str(row["near"]), f"{row['cpu_s_per_hour']:.0f}")
    return table


def _by_noise(conditions: Sequence[Figures]) -> Table:
    noisy = [row for row in conditions if row["by_noise"]]
    table = _table("noise", *(_db(row["snr"]) for row in noisy))
    for bed in sorted({bed for row in noisy for bed in row["by_noise"]}):
        cells = [row["by_noise"].get(bed, {"clips": 0}) for row in noisy]
        pairs = [[_percent(cell.get(kind, 0), cell["clips"]) for kind in ("right", "wrong")] for cell in cells]
        table.add_row(bed, *(" / ".join(pair) for pair in pairs))
    return table


def _curve(curve: Figures, conditions: Sequence[Figures], trials: Sequence[Figures]) -> Table:
    snrs = [row["snr"] for row in conditions]
    kinds = [row["kind"] for row in trials]
    drawn = "20" if "20" in snrs else snrs[0]
    table = _table(
        f"least {curve['field']}",
        *map(_db, snrs),
        *(kind.replace(" ", "\n") for kind in kinds),
    )
    table.add_column(f"right at {_db(drawn)}", min_width=20)
    for point in curve["points"]:
        shares = [f"{100 * point['right'][snr]:.0f} / {100 * point['wrong'][snr]:.1f}" for snr in snrs]
        rates = [f"{point['per_hour'][kind]:.1f}" for kind in kinds]
        table.add_row(f"{point['least']:.4g}", *shares, *rates, "\u2588" * round(20 * point["right"][drawn]))
    return table


def _read_off(curve: Figures, trials: Sequence[Figures]) -> list[str]:
    """What is right at the lowest threshold that keeps a limit on human speech, for each limit."""
    minutes = {row["kind"]: row["audio_s"] / 60 for row in trials}.get("human speech")
    if minutes is None:
        return ["no recordings of human speech: the curve cannot be read off"]
    lines = [f"One false accept in these {minutes:.1f} minutes of human speech makes {60 / minutes:.1f} per hour."]
    for limit in LIMITS_PER_HOUR:
        fit = [point for point in curve["points"] if point["per_hour"]["human speech"] <= limit]
        if not fit:
            lines.append(f"No {curve['field']} keeps to {limit} per hour.")
            continue
        point = min(fit, key=lambda point: float(point["least"]))
        shares = (
            f"{_db(snr)} {100 * right:.0f} / {100 * point['wrong'][snr]:.1f}" for snr, right in point["right"].items()
        )
        lines.append(f"At most {limit} per hour from {point['least']:.4g} up: % right / % wrong {', '.join(shares)}.")
    return lines
