"""What is the same for all findings of a kind of clock error: cause, next step, steps for the visit."""

from typing import Any

from detectors.finding import Kind

_CAUTIONS = (
    "Qualified persons only, under local codes and the network operator's rules.",
    "Setting a clock needs no opened cover: PV conductors are live in daylight.",
    "A backup output can be live with the grid off.",
)
_DESK_FIRST = (
    "Desk: compare the zone entered for the site in the system that writes its exports with the zone named here."
)
_FIXED_LOOK = "Fixed looks like this: the next day, first and last light lie level around sunrise and sunset."
_RETIME = "Once fixed, correct the history with retime from the first wrong day to the day on which it was fixed."

ZONE_SETTING = "Zone of its exports: in the system that writes them, and export_timezone in sites.csv"
_COMMAND = "noonmark retime {site_id} --shift-min {correction_min:.0f} --from {first_day}"

_CLOCK: dict[str, Any] = {
    "group": "clock",
    # Not no-generation: what makes nothing all day is dead whatever its clock says.
    "hides": ("battery", "underperformance", "string-loss", "capacity-mismatch", "unexplained"),
    "hides_why": "its clock is wrong, so its days, nights and hours are not what they seem",
    "makes_unreliable": ("time", "stamps"),  # time as the detectors after it see it; what was made as stamped
}

KINDS = {
    "time-zone-wrong": Kind(
        title="The site's time zone is wrong",
        title_naming="The register's {place_sign_name} is wrong",
        **_CLOCK,
        close_after=2,
        where="desk",
        setting="{setting_text}",
        now="{setting_now_text}",
        should_be="{should_be_text}",
        command=_COMMAND,
        visit_if="the zone entered is right already: then the logger's own is wrong",
        cause="Another time zone than the site's was entered when the site was set up.",
        next_step=f"{_DESK_FIRST} It is fixed there without a visit; if right there, the logger's own is wrong.",
        steps=(
            "Read the site's zone in the system that writes its exports; set it to the zone where the site stands.",
            "If it is right there, open the logger's settings: zone, then date and time against a watch.",
            "Note the clock shown and the watch's time before and after the change.",
            _RETIME,
            _FIXED_LOOK,
        ),
        cautions=_CAUTIONS,
    ),
    "daylight-saving-wrong": Kind(
        title="Daylight saving is left out or applied twice",
        **_CLOCK,
        close_after=2,
        where="desk",
        setting=ZONE_SETTING,
        now="daylight saving {daylight_saving_text}",
        should_be="{timezone}, with its changes of clocks",
        command=_COMMAND + "{until_text}",
        visit_if="the zone entered is right already: then the logger's own switch for daylight saving is wrong",
        cause="The clock does not follow the zone's changes of clocks, or follows them twice.",
        next_step=(
            "Desk: look whether the site's zone, where the exports are written, is one without daylight saving or a "
            "fixed offset; only if it is right there, the logger's own switch for daylight saving needs setting."
        ),
        steps=(
            "Read the site's zone in the system that writes its exports: the named zone, not a fixed offset.",
            "At the logger: the zone with automatic daylight saving, or standard time and the exports' zone to match.",
            "Never switch by hand twice a year: it comes back with the next change.",
            _RETIME,
            "Fixed looks like this: no jump at the next change of clocks.",
        ),
        cautions=_CAUTIONS,
    ),
    "clock-drift": Kind(
        title="The logger's clock runs fast or slow",
        **_CLOCK,
        close_after=5,
        where="site",
        bring=(
            "a watch set by a time signal",
            "a backup cell for the logger's clock",
            "the passwords of logger and router",
        ),
        command="noonmark retime {site_id} --rate-s-per-day {correction_s_per_day:.0f} --from {first_day}",
        proof="The logger says that it reached its time server, and shows the watch's time to the minute.",
        cause="The logger's clock is not set from the network (no time server reached), or its backup cell is empty.",
        next_step="Desk: see whether the logger reaches a time server; if it can't be set from afar, it needs hands.",
        steps=(
            "Note the clock shown and the watch's time: the difference should be the one measured here.",
            "Set the time server and let the logger synchronise; check that the router lets it through.",
            "If it has no network time, replace the clock's backup cell, or the logger.",
            _RETIME,
            "Fixed looks like this: the offset stays within some minutes for a month.",
        ),
        cautions=_CAUTIONS,
    ),
    "clock-step": Kind(
        title="The logger's clock jumped",
        **_CLOCK,
        close_after=2,
        where="desk",
        setting="Date, time and zone of the logger",
        now="{offset_min:+.0f} min off",
        should_be="the time of {timezone}",
        command=_COMMAND,
        visit_if="the logger's time cannot be set from afar, or is lost again",
        cause="The clock was set wrongly after a reset, a power cut, an update or an exchange of the logger.",
        next_step="Desk: ask what was done at the site that day; set time and zone from afar if the logger allows it.",
        steps=(
            "Ask what was changed at the site on the day of the jump.",
            "Set date, time and zone of the logger; let it synchronise with a time server.",
            "If it loses the time with the supply, replace its backup cell.",
            _RETIME,
            _FIXED_LOOK,
        ),
        cautions=_CAUTIONS,
    ),
}
REASONS = {
    "never-generated": "no generation data",
    "generation-missing": "no generation data on this day",
    "nothing-generated": "nothing was generated on this day, which says nothing of the clock",
    "longer-than-the-sun": (
        "generation for longer than the sun is up: not a clock of this date; check the channel and the date"
    ),
    "longer-than-the-sun-there": (
        "generation for longer than the sun is up at the registered place, which lies {place_text}: check the sign of "
        "{place_sign_name} in sites.csv"
    ),
    "few-days": "only {days} days with light in the last {within_days}; {needed_days} settle it",
    "no-whole-day": "no day with a whole morning and evening of generation",
    "changed-lately": "the offset changed within the last days",
    "marks-of-profile": (
        "its stamps are off by one interval, as those of all sites of profile {profile_name}: told at {told_at}"
    ),
    "moving": (
        "the offset moves by {s_per_day:+.0f} s a day (+/- {uncertainty_s:.0f}), which is not known well enough yet to "
        "tell a drift from a step: some more days with light settle it"
    ),
    "finer-than-interval": (
        "the stamps seem {offset_min:.0f} min {side}, which is finer than the interval of {interval_min:.0f} min: "
        "see whether other sites of the same profile show it too"
    ),
    "below-limit": (
        "the stamps are {offset_min:.0f} min {side} (+/- {uncertainty_min:.0f}), too little to tell a fault: see "
        "whether the site's place in the register, the profile's `marks` or the logger's clock is off by so much"
    ),
    "few-days-none-dark": "only {days} days with light, none with generation in the dark; {needed_days} days settle it",
    "dark-on-few": (
        "generation in the dark on {dark_days} of {days} days, which proves no offset: files written wrongly, or a "
        "clock that is off at a roof that seldom generates all day long; compare the logger's clock with a watch"
    ),
    "none-dark": (
        "first and last light lie {offset_min:.0f} min {side}, but nothing was generated in the dark: shade on one "
        "side, hours shut off, or the clock; compare the logger's clock with a watch, or its first and last light with "
        "a neighbour's"
    ),
}
