"""Plays one trial and has it judged."""

import hashlib
import tempfile
from functools import partial
from pathlib import Path

from nightloom.rehearsal import Rehearsal, play_virtually
from nightloom.trials.asking import ask_all
from nightloom.trials.outcome import Outcome
from nightloom.trials.trial import Trial, trial_of
from nightloom_drivers.clock import real_monotonic_s
from nightloom_drivers.sent import Sent

IN_MEMORY = Path("/dev/shm")
"""Where there is such a folder, files that are thrown away cost no disk's time."""


def play_trial(seed: int, sent: Sent, out: Path | None = None) -> Outcome:
    """The night of a seed; its files are kept only where an `out` folder is given."""
    if out is not None:
        return _played(seed, sent, out)
    memory = IN_MEMORY if IN_MEMORY.is_dir() else None
    with tempfile.TemporaryDirectory(dir=memory) as folder:
        return _played(seed, sent, Path(folder))


def _played(seed: int, sent: Sent, out: Path) -> Outcome:
    began_s = real_monotonic_s()
    trial = trial_of(seed, sent)
    (out / "frames").mkdir(exist_ok=True)
    rehearsal = trial.rehearsal_in(out)
    try:
        played = play_virtually(rehearsal, person=partial(ask_all, trial.asking))
    except Exception as error:  # noqa: BLE001  # whatever ends a daemon is told of its seed
        return _ended(trial, rehearsal, f"the daemon ended with {error!r}", began_s)
    figures = played.summary.figures()
    return Outcome(
        seed,
        str(trial.night),
        trial.kinds,
        round(trial.lived_h, 3),
        len(played.subs),
        figures["open_fraction"],
        round(played.unevenness, 4),
        played.violations,
        _sha256(rehearsal),
        round(real_monotonic_s() - began_s, 2),
    )


def _ended(trial: Trial, rehearsal: Rehearsal, why: str, began_s: float) -> Outcome:
    return Outcome(
        trial.seed,
        str(trial.night),
        trial.kinds,
        0.0,
        0,
        0.0,
        0.0,
        [why],
        _sha256(rehearsal),
        round(real_monotonic_s() - began_s, 2),
    )


def _sha256(rehearsal: Rehearsal) -> str:
    """Of the log, as it would be in any other folder."""
    said = rehearsal.log_file.read_bytes() if rehearsal.log_file.exists() else b""
    return hashlib.sha256(said.replace(str(rehearsal.out).encode(), b"OUT")).hexdigest()
