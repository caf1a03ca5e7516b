"""The read model in figures: Prometheus' text format, version 0.0.4.

Units are base units in the names where Prometheus asks for them (seconds, celsius, ratio).
Source: prometheus.io, Exposition formats and Metric and label naming.
"""

from collections.abc import Iterator

from nightloom.status import Status

MEDIA_TYPE = "text/plain; version=0.0.4; charset=utf-8"

Labels = dict[str, str]
Samples = list[tuple[Labels, float | None]]


def metrics(status: Status) -> str:
    """All figures that are known, each with its help."""
    return "".join(_family(name, help_, samples) for name, help_, samples in _families(status))


def _families(s: Status) -> Iterator[tuple[str, str, Samples]]:
    """Name, help and samples of each."""
    left_s = None if s.exposing is None else s.exposing.left_s
    since_s = None if s.since_utc is None else (s.utc - s.since_utc).total_seconds()
    yield "phase_seconds", "time in the phase, by its name", [({"phase": s.phase}, since_s)]
    yield "exposing", "1 while the shutter is open for a sub", [({}, float(s.exposing is not None))]
    yield "exposure_left_seconds", "time the shutter still will be open", [({}, left_s)]
    yield "awaiting_verdict", "subs whose shutter has closed", [({}, float(len(s.downloading)))]
    yield "paused", "1 while a person's pause is in force", [({}, float(bool(s.paused_by)))]
    filters = [({"target": t.target, "filter": f.filter}, f) for t in s.tally for f in t.filters]
    accepted: Samples = [(labels, f.accepted_s) for labels, f in filters]
    yield "accepted_seconds", "accepted over all nights, by target and filter", accepted
    yield (
        "wanted_seconds",
        "asked for, where there is an end",
        [(x, f.wanted_s) for x, f in filters],
    )
    ahead: Samples = [(labels, f.ahead_cycles) for labels, f in filters]
    yield "ahead_cycles", "cycles ahead of the filter's share; negative: behind", ahead
    yield from _sky(s)
    yield from _safety(s)


def _sky(s: Status) -> Iterator[tuple[str, str, Samples]]:
    """Of what is seen and how it is held."""
    guiding, focus, frame = s.guiding, s.focus, s.last_frame
    rms = None if guiding is None else guiding.rms_arcsec
    held = None if guiding is None else float(guiding.held)
    yield "guide_stars_held", "1 while they are", [({}, held)]
    yield "guiding_rms_arcseconds", "error since the last sub began", [({}, rms)]
    yield "transparency_ratio", "light of the guide stars, of a clear sky's", [({}, s.transparency)]
    steps = None if focus is None or focus.position_steps is None else float(focus.position_steps)
    yield "focuser_position_steps", "position read back", [({}, steps)]
    focuser_c = None if focus is None else focus.temperature_c
    yield "focuser_temperature_celsius", "temperature at the focuser", [({}, focuser_c)]
    yield "sensor_temperature_celsius", "temperature of the main sensor", [({}, s.sensor_c)]
    if frame is not None:
        labels = {"filter": frame.filter}
        size, stars = frame.half_flux_radius_arcsec, frame.stars
        yield "half_flux_radius_arcseconds", "of the last frame's stars", [(labels, size)]
        counted = None if stars is None else float(stars)
        yield "frame_stars", "stars measured in the last frame", [(labels, counted)]


def _safety(s: Status) -> Iterator[tuple[str, str, Samples]]:
    """Of weather, roof and mount."""
    if s.safety is None:
        return
    yield "parked_and_closed", "1 when the rig was seen so", [({}, float(s.safety.safe))]
    yield "weather_safe", "1 while nothing speaks against it", [({}, float(not s.safety.weather))]
    yield "roof", "1 with the roof's state as a label", [({"state": s.safety.roof}, 1.0)]
    yield "mount", "1 with the mount's state as a label", [({"state": s.safety.mount}, 1.0)]


def _family(name: str, help_: str, samples: Samples) -> str:
    known = [(labels, value) for labels, value in samples if value is not None]
    if not known:
        return ""
    head = f"# HELP nightloom_{name} {help_}\n# TYPE nightloom_{name} gauge\n"
    return head + "".join(f"nightloom_{name}{_labels(x)} {value!r}\n" for x, value in known)


def _labels(labels: Labels) -> str:
    if not labels:
        return ""
    return "{" + ",".join(f'{key}="{_escaped(value)}"' for key, value in labels.items()) + "}"


def _escaped(value: str) -> str:
    return value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
