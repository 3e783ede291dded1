"""The readings of a judged day in the forms that detectors name, of a large fleet some sites at a time.

Several forms of ten thousand sites' day, and what each detector makes of them on the way, are many times the day
itself. The forms are made group by group; those of a fleet of several groups lie on disk until the day is judged.
"""

import shutil
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

import polars as pl
import pyarrow as pa

FORMS = ("readings", "device_readings", "raw_readings", "raw_device_readings")
SITES_AT_ONCE = 1000  # ours: at 5 min some 290,000 rows, at 400 bytes each 115 MB a form

Forms = Mapping[str, pl.DataFrame]


class DayReadings:
    """The forms of each group of sites. Use as a context manager: the files go with the block."""

    def __init__(self, sites: Sequence[str], make: Callable[[Sequence[str]], Forms], folder: Path) -> None:
        """`make` gives the forms of some sites; `folder` is made where files are needed, and goes with them."""
        ordered = sorted(sites)
        self.groups = [ordered[n : n + SITES_AT_ONCE] for n in range(0, len(ordered), SITES_AT_ONCE)] or [[]]
        self.heard: set[str] = set()  # sites with a reading in the form `readings`
        self._folder = folder
        self._held: list[Forms | dict[str, Path]] = []
        for number, group in enumerate(self.groups):
            forms = make(group)
            self.heard |= set(forms["readings"]["site_id"].unique())
            self._held.append(forms if self.is_whole else self._laid_down(number, forms))

    @property
    def is_whole(self) -> bool:
        """Whether the fleet is one group, which is handed over as it is."""
        return len(self.groups) == 1

    def of(self, number: int, names: Iterable[str]) -> Forms:
        """These forms of one group."""
        held = {name: self._held[number][name] for name in names}
        return {name: form if isinstance(form, pl.DataFrame) else _mapped(form) for name, form in held.items()}

    def of_fleet(self, name: str, columns: Sequence[str] = ()) -> pl.DataFrame:
        """One form of all sites, with these columns alone where any are given."""
        forms = [held[name] for held in self._held]
        whole = [one if isinstance(one, pl.DataFrame) else _mapped(one) for one in forms]
        return pl.concat(one.select(columns) if columns else one for one in whole)

    def replace(self, forms: Forms, sites: Sequence[str]) -> None:
        """Puts what `forms` holds of `sites` in the place of their rows."""
        for number, group in enumerate(self.groups):
            mine = [site_id for site_id in sites if group and group[0] <= site_id <= group[-1]]
            if not mine:
                continue
            held = dict(self.of(number, self._held[number]))
            for name, form in forms.items():
                order = [key for key in ("site_id", "device_id", "ts_utc") if key in form.columns]
                rest = held[name].filter(~pl.col("site_id").is_in(mine))
                held[name] = pl.concat([rest, form.filter(pl.col("site_id").is_in(mine))]).sort(order)
            self._held[number] = held if self.is_whole else self._laid_down(number, held)

    def _laid_down(self, number: int, forms: Forms) -> dict[str, Path]:
        self._folder.mkdir(exist_ok=True)
        paths = {}
        for name, form in forms.items():
            paths[name] = self._folder / f"{number}-{name}.arrow"
            unfinished = paths[name].with_suffix(".unfinished")  # the file before may be mapped to a frame
            form.write_ipc(unfinished, compression="uncompressed", record_batch_size=max(form.height, 1))
            unfinished.replace(paths[name])
        return paths

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._held = []
        shutil.rmtree(self._folder, ignore_errors=True)


def _mapped(path: Path) -> pl.DataFrame:
    """The form as it lies in the file: nothing is copied, and columns that nobody looks at are not read."""
    with pa.memory_map(str(path)) as file:
        frame = pl.from_arrow(pa.ipc.open_file(file).read_all())
    assert isinstance(frame, pl.DataFrame)
    return frame
