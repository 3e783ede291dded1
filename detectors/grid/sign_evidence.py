"""What a day's sums say of the grid sensor's sign, each kind of evidence by itself."""

from collections.abc import Collection
from datetime import date

from detectors.grid.meter_signs import PHASES, VARIANTS

MIN_DARK_H = 1.0  # ours: an hour of feed-in out of nothing is the sensor, not a stray reading
FED_SHARE = 0.8  # ours: a turned sensor shows feed-in whenever anything is switched on; noise shows both
MIN_KWH = 0.05  # ours: 10 W over a short summer night
MIN_ANSWER = 0.5  # ours: of the rating, in changes of generation: a bright quarter of a day up and down
ANSWER_RATIO = 0.4  # ours: half way from no answer to a full one, less what loads blur
TURNED_RATIO = 0.8  # ours: a workshop's load that grows with the day brought 0.7 on three days
TURNED_DAYS = 5  # ours: each by itself beyond ANSWER_RATIO, so that no few days of loads decide
OPEN_SHARE = 0.15  # ours: of what went through; losses and moments leave a few per cent open
CLOSED_SHARE = 0.08
BETTER_RATIO = 0.4  # ours: what closes the balance must leave less than half of what was open
REST_KWH, REST_TIMES = 0.3, 5.0  # ours: 20 W over half a day and a little more; one in six may be the meters' moments
# A load of its own leaves more open than rounding; one that is worked out from the grid proves nothing. Four powers
# rounded to one step each leave 0.8 sqrt(4 / 12) = 0.46 steps open, on the average of absolute values.
DERIVED_SHARE, ROUNDED_STEPS = 0.002, 0.6


def is_fed_at_night(row: dict, min_dark_h: float = MIN_DARK_H) -> bool:
    """Whether the dark hours show feed-in and hardly ever import, with nothing generating and no battery at work.

    Import at the night's other hours counts too, where nothing can have fed in then: a generator runs for some hours, a
    turned sensor shows feed-in all night long.
    """
    fed, bought = row["fed_h"], max(row["bought_h"], row["sure_bought_h"])
    return fed >= min_dark_h and fed >= FED_SHARE * (fed + bought) and row["fed_kwh"] >= MIN_KWH


def is_bought_at_night(row: dict, min_dark_h: float = MIN_DARK_H) -> bool:
    """Whether the dark hours show import, and hardly ever feed-in out of nothing."""
    bought = max(row["bought_h"], row["sure_bought_h"])
    return bool(bought >= min_dark_h and row["fed_h"] <= (1 - FED_SHARE) * bought)


def comes_and_goes(rows: list[dict], min_dark_h: float = MIN_DARK_H) -> bool:
    """Whether nights with feed-in out of nothing came before one with import, of days oldest first.

    A sensor stays as it was mounted; what feeds in on some nights and not on those between is a source.
    """
    has_fed = False
    for row in rows:
        if has_fed and is_bought_at_night(row, min_dark_h):
            return True
        has_fed = has_fed or is_fed_at_night(row, min_dark_h)
    return False


def is_turned_by_rest(row: dict) -> bool:
    """Whether the grid shows the wrong sign of what load, generation and battery leave for it, at all hours.

    A load or a generation that is scaled wrongly may turn that sign too; but then the grid's other sign closes nothing.
    """
    turned = row["rest_turned_kwh"] or 0.0
    closes = row["open_turned_kwh"] <= BETTER_RATIO * row["open_kwh"]
    return bool(closes and turned >= REST_KWH and turned >= REST_TIMES * (row["rest_right_kwh"] or 0.0))


def _is_right_by_rest(row: dict) -> bool:
    """The opposite, where the load is measured and not worked out from the grid itself."""
    right, rounded_kwh = row["rest_right_kwh"] or 0.0, ROUNDED_STEPS * row["step_w"] * row["load_h"] / 1000
    is_own = row["own_kwh"] > max(DERIVED_SHARE * row["through_kwh"], rounded_kwh)
    return bool(is_own and right >= REST_KWH and right >= REST_TIMES * (row["rest_turned_kwh"] or 0.0))


def was_turned(rows: list[dict], mirrored: Collection[date] = (), min_dark_h: float = MIN_DARK_H) -> bool:
    """Whether the last of these days that told the sign, oldest first, told that it was turned; `mirrored` told so."""
    for row in reversed(rows):
        if is_fed_at_night(row, min_dark_h) or is_turned_by_rest(row) or row["day"] in mirrored:
            return True
        if is_right(row, min_dark_h):
            return False
    return False


def fed_phases(row: dict, min_dark_h: float) -> list[int]:
    """The phases that feed in through the dark, though others may not."""
    found = []
    for n in PHASES:
        fed, bought = row[f"fed_l{n}_h"], row[f"bought_l{n}_h"]
        if fed >= min_dark_h and fed >= FED_SHARE * (fed + bought) and row[f"fed_l{n}_kwh"] >= MIN_KWH:
            found.append(n)
    return found


def answer(rows: list[dict], place: str = "") -> float | None:
    """What the grid shows of a change of generation: -1 as it must be, +1 with the sign turned; None = too little.

    `place` "_l1" and so on: what that phase alone shows of it.
    """
    change = sum(row["change_kw"] for row in rows)
    if change < MIN_ANSWER * rows[-1]["rating_kw"] or change == 0:
        return None
    return float(sum(row[f"answered{place}_kw"] for row in rows) / change)


def has_turned_answer(row: dict, min_dark_h: float = MIN_DARK_H) -> bool:
    """Whether the day's changes of generation, few as they may be, show in the grid with the sign turned.

    Import in the dark, or what load and generation leave for the grid, may show that the sign is right all the same.
    """
    is_turned = row["change_kw"] > 0 and row["answered_kw"] >= ANSWER_RATIO * row["change_kw"]
    return bool(is_turned and not is_right(row, min_dark_h))


def turned_days(rows: list[dict]) -> list[dict]:
    """The latest of these days, oldest first, that all answer with the sign turned; none where they are too few.

    At a site that feeds in what it likes, and whose battery carries every night, nothing else tells the sign. Where
    feed-in is limited, generation follows the load, and import grows with both.
    """
    answering = [row for row in rows if row["change_kw"] > 0]
    since = next((n for n in range(len(answering), 0, -1) if not has_turned_answer(answering[n - 1])), 0)
    turned = answering[since:]
    change = sum(row["change_kw"] for row in turned)
    if len(turned) < TURNED_DAYS or change < turned[-1]["rating_kw"]:
        return []
    return turned if sum(row["answered_kw"] for row in turned) >= TURNED_RATIO * change else []


def balance_guess(row: dict) -> str | None:
    """What closes the balance with a load that is read, in words; None where nothing does or nothing is open."""
    through = row["through_kwh"]
    if row["load_h"] == 0 or row["open_kwh"] <= OPEN_SHARE * through:
        return None
    options = [("all", row["open_turned_kwh"])]
    options += [(variant.name, row[f"open_{variant.name}_kwh"]) for variant in VARIANTS]
    name, left = min(((name, kwh) for name, kwh in options if kwh is not None), key=lambda option: option[1])
    if left > BETTER_RATIO * row["open_kwh"] or left > CLOSED_SHARE * through:
        return None
    words = {variant.name: variant.words for variant in VARIANTS}
    return words.get(name, "the sign of the whole sensor is turned")


def is_right(row: dict, min_dark_h: float) -> bool:
    """Whether the day shows that the sign is as it should be: import in the dark, or the right answer by day."""
    ratio = answer([row])
    return (
        is_bought_at_night(row, min_dark_h) or (ratio is not None and ratio <= -ANSWER_RATIO) or _is_right_by_rest(row)
    )
