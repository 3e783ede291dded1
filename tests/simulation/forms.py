"""Forms of exports: how a system writes its files, and the profile that reads them."""

from dataclasses import dataclass, field

import numpy as np

POWERS = ("pv_w", "load_w", "grid_w", "battery_w")
NAMES = {
    "pv_w": ("PV", "made", "roof", "generation"), "load_w": ("House", "used", "site", "consumption"),
    "grid_w": ("Meter", "net", "grid", "exchange"), "battery_w": ("Store", "bat", "cells", "battery"),
    "soc_pct": ("Level", "charge", "full", "soc"), "pv_kwh_total": ("Yield", "sum_made", "roof_sum", "counter_pv"),
    "import_kwh_total": ("Bought", "sum_in", "in_sum", "counter_in"),
    "feed_in_kwh_total": ("Sold", "sum_out", "out_sum", "counter_out"),
}  # fmt: skip
COUNTERS = ("pv_kwh_total", "import_kwh_total", "feed_in_kwh_total")


@dataclass
class Form:
    """One kind of export. Cells hold value / scale, with the signs of the system that wrote them."""

    name: str
    kind: str  # csv | json | ndjson
    pack: str  # "" | gz | zst | zip
    source: str  # file name | column | json path | folder
    stamp: str
    zone: str  # export_timezone | utc | in value
    marks: str  # interval start | interval end | instant
    minutes: int
    is_told: bool = True  # the profile names the interval
    delimiter: str = ","
    decimal: str = "."
    encoding: str = "utf-8"
    skip: int = 0
    missing: str = ""
    stamp_columns: tuple[str, ...] = ("Time",)
    kilo: bool = False  # powers in kW
    signs: dict[str, int] = field(default_factory=dict)
    is_long: bool = False
    counter: str = ""  # "" | lifetime | daily
    counts_grid: bool = False
    counter_step_kwh: float = 0.001
    is_arrays: bool = False
    load_parts: int = 1
    words: int = 0

    def column(self, channel: str) -> str:
        """What the system calls a channel."""
        return NAMES[channel][self.words % 4] if channel in NAMES else f"{channel}_{self.words}"

    def columns(self, channel: str) -> list[str]:
        if channel == "load_w" and self.load_parts > 1 and not self.is_long:
            return [f"{self.column(channel)} {n + 1}" for n in range(self.load_parts)]
        return [self.column(channel)]

    def scale(self, channel: str) -> float:
        """What a cell is multiplied with."""
        size = 1000.0 if self.kilo and channel.endswith("_w") else 1.0
        return size * self.signs.get(channel, 1)

    @property
    def pattern(self) -> str:
        return {"file name": rf"^{self.name}_(?P<site>[A-Za-z0-9-]+)_\d", "folder": r"(?P<site>[A-Za-z0-9-]+)$"}[
            self.source
        ]

    def file_ending(self) -> str:
        inner = {"csv": ".csv", "json": ".json", "ndjson": ".ndjson"}[self.kind]
        return inner + (f".{self.pack}" if self.pack in ("gz", "zst") else "")

    def toml(self, channels: list[str]) -> str:
        """The profile's file, for these channels."""
        text = [
            f'format = "{self.kind}"',
            f'match = ["{self.name}_*{".csv" if self.kind == "csv" else "." + self.kind}"]',
            "",
        ]
        if self.kind == "csv":
            missing = ", ".join(f'"{m}"' for m in {"", self.missing})
            delimiter = "\\t" if self.delimiter == "\t" else self.delimiter
            text += ["[csv]", f'delimiter = "{delimiter}"', f'decimal = "{self.decimal}"']
            text += [f'encoding = "{self.encoding}"', f"skip_lines = {self.skip}", f"missing = [{missing}]", ""]
        if self.kind == "json":
            text += ["[json]", 'records = "data.rows"']
            if self.is_arrays:
                fields = ", ".join(f'"{name}"' for name in self.fields(channels))
                text += ["arrays = true", f"fields = [{fields}]"]
            text += [""]
        text += ["[site]", f'from = "{self.source}"']
        if self.source in ("file name", "folder"):
            text += [f"pattern = '{self.pattern}'"]
        text += {"column": ['column = "unit"'], "json path": ['path = "station.id"']}.get(self.source, [])
        several = ", ".join(f'"{name}"' for name in self.stamp_columns)
        text += ["", "[timestamp]", f"columns = [{several}]", f'format = "{self.stamp}"', f'marks = "{self.marks}"']
        text += [f'zone = "{self.zone}"'] if not self.stamp.startswith("epoch") else []
        text += [f"interval_min = {self.minutes}"] if self.is_told else []
        if self.is_long:
            text += ["", "[long]", 'channel_column = "metric"', 'value_column = "value"']
        for channel in channels:
            names = ", ".join(f'"{name}"' for name in self.columns(channel))
            text += ["", f"[channels.{channel}]", f"columns = [{names}]"]
            text += [f"scale = {self.scale(channel):g}"] if self.scale(channel) != 1 else []
            text += [f'counter = "{self.counter}"'] if channel in COUNTERS else []
        return "\n".join(text) + "\n"

    def fields(self, channels: list[str]) -> list[str]:
        """The columns of a row, in their order."""
        site = ["unit"] if self.source == "column" else []
        return [*site, *self.stamp_columns, *(name for channel in channels for name in self.columns(channel))]


def draw_forms(
    rng: np.random.Generator, minutes: int | None, choices: tuple[int, ...], share: tuple[float, ...]
) -> list[Form]:
    """The forms of a fleet: each shape once, the rest drawn."""

    def signs() -> dict[str, int]:
        out = {"grid_w": int(rng.choice([1, -1])), "battery_w": int(rng.choice([1, -1]))}
        return out | {f"grid_l{n}_w": out["grid_w"] for n in (1, 2, 3)}

    def sampled(most: int = 60) -> int:
        if minutes:
            return minutes
        allowed = [(m, s) for m, s in zip(choices, share, strict=True) if m <= most]
        return int(
            rng.choice([m for m, _ in allowed], p=np.array([s for _, s in allowed]) / sum(s for _, s in allowed))
        )

    def marks() -> str:
        return str(rng.choice(["interval start", "interval end"]))

    def told() -> bool:
        return bool(rng.random() < 0.5)

    words = [int(n) for n in rng.integers(0, 4, 10)]
    return [
        Form(
            "evening",
            "csv",
            "zip",
            "file name",
            "%d.%m.%Y %H:%M",
            "export_timezone",
            marks(),
            sampled(10),
            told(),
            ";",
            ",",
            "latin-1",
            2,
            "--",
            ("Date", "Clock"),
            True,
            signs(),
            words=words[0],
        ),
        Form(
            "fleetday",
            "csv",
            "gz",
            "column",
            "iso8601",
            "in value",
            marks(),
            sampled(10),
            told(),
            signs=signs(),
            words=words[1],
        ),
        Form(
            "station",
            "json",
            "zip",
            "json path",
            "%Y-%m-%d %H:%M:%S",
            "export_timezone",
            marks(),
            sampled(),
            told(),
            signs=signs(),
            load_parts=int(rng.choice([1, 2, 3])),
            words=words[2],
        ),
        Form(
            "lines",
            "ndjson",
            "zst",
            "column",
            "iso8601",
            "export_timezone",
            marks(),
            sampled(15),
            told(),
            signs=signs(),
            words=words[3],
        ),
        Form(
            "metric",
            "csv",
            "gz",
            "column",
            "epoch_s",
            "utc",
            "instant",
            max(sampled(30), 5),
            told(),
            kilo=True,
            signs=signs(),
            is_long=True,
            words=words[4],
        ),
        Form(
            "counted",
            "csv",
            "gz",
            "column",
            "%Y/%m/%d %H:%M",
            "utc",
            "interval end",
            max(sampled(), 5),
            True,
            signs=signs(),
            counter="lifetime",
            counter_step_kwh=float(rng.choice([0.001, 0.01])),
            words=words[5],
        ),
        Form(
            "dayly",
            "csv",
            "",
            "column",
            "%m/%d/%Y %I:%M:%S %p",
            "export_timezone",
            "interval end",
            max(sampled(), 10),
            True,
            "\t",
            encoding="utf-16",
            signs=signs(),
            counter="daily",
            counts_grid=bool(rng.random() < 0.4),
            counter_step_kwh=float(rng.choice([0.001, 0.01])),
            words=words[6],
        ),
        Form(
            "rowlist",
            "json",
            "gz",
            "column",
            "epoch_ms",
            "utc",
            marks(),
            sampled(),
            told(),
            signs=signs(),
            is_arrays=True,
            words=words[7],
        ),
        Form(
            "folders",
            "csv",
            "",
            "folder",
            "%Y-%m-%dT%H:%M",
            "export_timezone",
            marks(),
            max(sampled(15), 5),
            told(),
            "|",
            missing="N/A",
            signs=signs(),
            words=words[8],
        ),
    ]
