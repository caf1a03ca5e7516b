"""How well one `offsets measure` learns the offsets of a known rig: prints a table.

    python tests/benchmarks/focus_offsets.py [nights]

Each is a night of the demo rig through all seven filters, forth and back, while the air cools: the
focus drifts by several steps an hour, and the tube lags behind the probe.
"""

import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from night.nights import NIGHT
from nightloom.crew.learned_focus import learned_offsets, zone_steps
from nightloom.ledger import FILE_NAME, Ledger
from nightloom.night.offset_run import OffsetRun, measured_filters
from nightloom.rehearsal import Rehearsal, play_virtually
from nightloom.rig import simulated_settings
from nightloom.settings import demo_folder, read_settings
from nightloom_drivers.physics.settings import RigSettings

COOLING = {"daily_swing_c": 9.0, "temperature_scatter_c": 0.8}


def main() -> int:
    """Print the table; fails when an offset is further off than a quarter of its zone."""
    nights = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    settings, rig = simulated_settings(read_settings(demo_folder()))
    told = rig.model_dump()
    told["weather"] |= COOLING
    rig = RigSettings.model_validate(told)
    true = {one.name: one.focus_offset_steps for one in rig.wheel.filters}
    in_zones, in_errors, cooled = [], [], []
    for seed in range(1, nights + 1):
        with tempfile.TemporaryDirectory() as folder:
            run = OffsetRun(measured_filters(settings), rounds=2)
            out = Path(folder)
            night = Rehearsal(settings, rig, NIGHT, out, seed, frames=False, gathering=run.gather)
            play_virtually(night)
            with Ledger.read(out / FILE_NAME) as ledger:
                learned = learned_offsets(ledger, settings.observatory)
                warm = [c.temperature_c for c in ledger.curves() if c.temperature_c is not None]
        assert learned is not None
        cooled.append(max(warm) - min(warm))
        print(f"night {seed}, {cooled[-1]:.1f} °C:", end="")
        for name, one in learned.offsets.items():
            if name == learned.reference:
                continue
            off = one.steps - (true[name] - true[learned.reference])
            in_zones.append(abs(off) / zone_steps(settings.observatory, name))
            in_errors.append(abs(off) / one.error_steps)
            print(f"  {name} {off:+.1f} ± {one.error_steps:.1f} {one.trust.value}", end="")
        print()
    print(
        f"{len(in_zones)} offsets: worst {max(in_zones):.3f} zones, within a quarter"
        f" {np.mean(np.array(in_zones) < 0.25):.0%}, inside two errors"
        f" {np.mean(np.array(in_errors) < 2):.0%}, one {np.mean(np.array(in_errors) < 1):.0%}"
    )
    return 1 if max(in_zones) > 0.25 else 0


if __name__ == "__main__":
    sys.exit(main())
