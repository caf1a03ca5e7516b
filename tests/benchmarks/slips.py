"""Slips made on purpose: each breaks one rule, and the tests named beside it must see it.

Each is made in a copy of the tree, where its tests run until the first that fails. Prints who
caught what, then the slips that survived; the exit status is 1 when one did, or when a slip's text
is no longer there. Run: python tests/benchmarks/slips.py [--only WORD]
"""

import argparse
import multiprocessing
import os
import shutil
import sys
import tempfile
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

import pytest
from rich.console import Console

TREE = Path(__file__).parents[2]
COPIED = ("daemon", "drivers", "tests", "config", "pyproject.toml", "DEVELOPERS.md")

SAFETY, NIGHT = "daemon/nightloom/safety/", "daemon/nightloom/night/"
DEVICES, LINK = "drivers/nightloom_drivers/devices/", "drivers/nightloom_drivers/link/"

GUARD, MAKE_SAFE = "safety/test_guard.py", "safety/test_make_safe.py"
PHASES, TABLE = "safety/test_phases_alone.py", "night/test_phases.py"
INTERRUPTS, LOOP = "night/test_interrupts.py", "guiding/test_guide_loop.py"
PARTS, MOUNTS = "devices/test_roof_cap_and_weather.py", "devices/test_mount_and_guide_port.py"
PIER, FAULT_NIGHTS = "night/test_pier_limits.py", "night/test_fault_table.py"
STATIONS, UNITS = "devices/test_stations.py", "devices/test_weather_units.py"
FAULTS, FAULT_TABLE = "daemon/nightloom/faults/", "faults/test_table.py"
SWAYING = (
    "focusing/test_focus_occasions.py",
    "focusing/test_best_focus.py",
    "focusing/test_watch.py",
    "focusing/test_focus_runs.py",
)
FOCUSING = "daemon/nightloom/focusing/"
FRAMES, WRITER = "daemon/nightloom/frames/", "frames/test_writer.py"
HOSTILE = "link/test_hostile_servers.py"
CUTS = "frames/test_power_cuts.py"
FULL = (
    "frames/test_pipeline.py::test_a_disk_that_refuses_frame_after_frame_is_told_to_who_watches",
    "frames/test_pipeline.py::test_a_disk_that_takes_a_frame_again_is_forgiven",
)

CLOUDS, SOLVING = "daemon/nightloom/clouds/", "daemon/nightloom/solving/"
BROKEN, LIGHT = "clouds/test_broken_cloud_nights.py", "clouds/test_light_of_a_night.py"
WORTH, CAUSES = "clouds/test_worth.py", "clouds/test_causes.py"
CLEARING = "clouds/test_clearing.py"
MONITOR, TAKEN_BACK = "clouds/test_monitor.py", "frames/test_taken_back.py"
POWER = ("devices/test_power_switch.py",)
PHYSICS, LISTS = "drivers/nightloom_drivers/physics/", ("physics/test_star_lists.py",)
GUIDE_LISTS = ("guiding/test_listed_stars.py",)


LIBRARY, SHELF = "daemon/nightloom/calibration_frames/", "night/test_library_by_day.py"
CALIBRATING, MORNING = "safety/test_calibrating.py", "night/test_calibrating_nights.py"
NEEDS, LEVELS = "calibration_frames/test_needs.py", "calibration_frames/test_level.py"
TWILIGHT = "calibration_frames/test_twilight.py"
FOUND = ("trials/test_found_nights.py",)
REPORT, MINUTES = "daemon/nightloom/report/", "report/test_minutes.py"

CHECKS, FITTING = "daemon/nightloom/checks/", ("checks/test_fitting.py",)
DRAFT, PLAUSIBLE = ("checks/test_draft.py",), ("checks/test_plausible.py",)
SETTINGS, PROBLEMS = "daemon/nightloom/settings/", ("settings/test_problems.py",)
CHANGES, ANY_FRAME = ("settings/test_changes.py",), ("devices/test_any_frame.py",)


def asked(name: str) -> tuple[str]:
    """One test of what persons ask: all of them together take minutes."""
    return (f"night/test_requests.py::test_{name}",)


SERVER = multiprocessing.get_context("forkserver")
PRELOADED = ("astropy.units", "erfa", "numpy", "pydantic", "pytest", "scipy.stats")
"""What takes long to import and is the same for every slip."""

LIMIT_S = 120.0
"""A slip may make something wait for ever: virtual time then runs on without an end."""

SURVIVED, NOT_RUN, HUNG = "SURVIVED", "SURVIVED: its tests did not run", "ran without an end"


@dataclass(frozen=True)
class Slip:
    """A rule that is broken by replacing `text`, which stands once in `file`, by `instead`."""

    name: str
    file: str
    text: str
    instead: str
    tests: tuple[str, ...]


WEATHER = "            limits.weather(self.unsafe_reasons()),\n"
UNPARK = 'self._demand("unparking", limits.weather(self.unsafe_reasons()), self._closed())'
LEAVES = "            if act != RESTING[part]:\n                raise\n"
EXPOSED = "        {cut: to for cut, to in _OPEN.items() if cut is not Cut.UNSAFE},\n"
CLOUDY = '            P.HOLDING: "the sky may be at fault",\n        },\n'
OPENS = '            "opening the roof",\n' + WEATHER
SLEWS = "            request,\n" + WEATHER

SLIPS = (
    # The guard ----------------------------------------------------------------------------------
    Slip("opens in unsafe weather", SAFETY + "guard.py",
         OPENS, '            "opening the roof",\n', (GUARD,)),
    Slip("opens over a mount that is not parked", SAFETY + "guard.py",
         "            ),\n            self._unparked(),\n", "            ),\n", (GUARD,)),
    Slip("opens by daylight", SAFETY + "guard.py",
         "limits.daylight(self._site, at_s, self._safety.sun_altitude_deg)", '""', (GUARD,)),
    Slip("opens by one clock's darkness", SAFETY + "guard.py",
         "self._safety.sun_altitude_deg)\n                for at_s in self._clock.both_s()",
         "self._safety.sun_altitude_deg)\n                for at_s in (self._clock.unix_s(),)",
         (GUARD,)),
    Slip("closes over a mount that is not parked", SAFETY + "guard.py",
         '            self._demand("closing the roof", self._unparked())\n', "            pass\n",
         (GUARD,)),
    Slip("closes over any mount whatever the roof clears", SAFETY + "guard.py",
         'self.roof_clears_always = said is not None and said.clears == "always"',
         "self.roof_clears_always = said is not None", (GUARD,)),
    Slip("never closes over a free mount, also where the roof clears it", SAFETY + "guard.py",
         'self.roof_clears_always = said is not None and said.clears == "always"',
         "self.roof_clears_always = False", (GUARD,)),
    Slip("unparks in unsafe weather", SAFETY + "guard.py",
         UNPARK, 'self._demand("unparking", self._closed())', (GUARD,)),
    Slip("unparks under a closed roof", SAFETY + "guard.py",
         UNPARK, 'self._demand("unparking", limits.weather(self.unsafe_reasons()))',
         (GUARD,)),
    Slip("slews in unsafe weather", SAFETY + "guard.py",
         SLEWS, "            request,\n", (GUARD,)),
    Slip("slews under a closed roof", SAFETY + "guard.py",
         '            self._closed(),\n            "" if self', '            "" if self',
         (GUARD,)),
    Slip("slews from where nobody knows", SAFETY + "guard.py",
         '"" if self._mount.knows_position else "the mount does not say where it points"', '""',
         (GUARD,)),
    Slip("slews past the Sun", SAFETY + "guard.py",
         "            *(self._sun(ra_deg, dec_deg, at_s) for at_s in self._clock.both_s()),\n", "",
         (GUARD,)),
    Slip("slews past the Sun of one clock", SAFETY + "guard.py",
         "*(self._sun(ra_deg, dec_deg, at_s) for at_s in self._clock.both_s()),",
         "self._sun(ra_deg, dec_deg, self._clock.unix_s()),", (GUARD,)),
    Slip("slews below the floor", SAFETY + "guard.py",
         "            limits.altitude(self._site, ra_deg, dec_deg, now_s,"
         " self._safety.altitude_floor_deg),\n", "", (GUARD,)),
    Slip("slews beyond the side's hour angle", SAFETY + "guard.py",
         "            self.pier.forbids(self.pier.taken_for(angle_h), angle_h),\n", "", (GUARD,)),
    Slip("does not look at the side after a slew", SAFETY + "guard.py",
         "            self._slewing = False\n        await self.check_side()\n",
         "            self._slewing = False\n", (GUARD,)),
    Slip("leaves a mount on the wrong side tracking", SAFETY + "guard.py",
         "                await self._mount.track(False)\n                self._demand(\"going on",
         "                self._demand(\"going on", (GUARD,)),
    Slip("tracks on past the limit", SAFETY + "guard.py",
         "                    await self.check_side()\n", "                    pass\n", (GUARD,)),
    Slip("looks at one clock's hour angle", SAFETY + "guard.py",
         "        for at_s in self._clock.both_s():\n            limit",
         "        for at_s in (self._clock.unix_s(),):\n            limit", (GUARD,)),
    Slip("misses dawn by one clock", SAFETY + "guard.py",
         "return max(self._clock.both_s())", "return self._clock.unix_s()", (GUARD,)),
    Slip("takes a mount on its word", SAFETY + "guard.py",
         "return self._link.connected and self._mount.seen_parked",
         "return self._link.connected and self._mount.is_parked", (GUARD,)),
    Slip("takes a roof on its word that it is open", SAFETY + "guard.py",
         "return self._roof is None or self._roof.seen is RoofState.OPEN",
         "return self._roof is None or self._roof.state is RoofState.OPEN", (GUARD,)),
    Slip("does not close a roof that says it is closed", SAFETY + "guard.py",
         "if self._roof is None or self._roof.seen is RoofState.CLOSED:",
         "if self._roof is None or self._roof.state is RoofState.CLOSED:", (GUARD,)),
    Slip("takes parked alone for safe", SAFETY + "guard.py",
         "return self.is_parked and (self._roof is None or self._roof.seen is RoofState.CLOSED)",
         "return self.is_parked", (GUARD,)),
    Slip("opens without a station", SAFETY + "guard.py",
         'return [] if self._may_be_blind else ["no station watches the sky"]', "return []",
         (GUARD,)),
    Slip("takes weather that nobody sees for safe", SAFETY + "guard.py",
         "        elif not self._may_be_blind:\n", "        elif False:\n", (GUARD,)),
    Slip("does not wait for the weather to stay safe", SAFETY + "guard.py",
         "await self._weather.until_safe(for_s=for_s)", "await self._weather.until_safe()",
         (GUARD,)),
    Slip("is content with rain on a parked mount under an open roof", SAFETY + "guard.py",
         "if not waits and not self.is_safe:", "if not waits and not self.is_parked:", (GUARD,)),
    Slip("believes a roof that was open by the record", SAFETY + "guard.py",
         "            if was_open:\n", "            if False:\n", (GUARD,)),
    Slip("opens a roof that was closed by the record", SAFETY + "guard.py",
         "            if was_open:\n", "            if True:\n", (GUARD,)),
    Slip("parks a mount that was free as if it had rested", SAFETY + "guard.py",
         "released_first=was_free", "released_first=False", (GUARD,)),
    # The limits ---------------------------------------------------------------------------------
    Slip("the Sun rule is off below 20°", SAFETY + "limits.py",
         "SUN_IS_DOWN_DEG = -2.0", "SUN_IS_DOWN_DEG = 20.0", (GUARD,)),
    Slip("the Sun rule is off until it has risen", SAFETY + "limits.py",
         "SUN_IS_DOWN_DEG = -2.0", "SUN_IS_DOWN_DEG = 0.0", (GUARD,)),
    Slip("the Sun rule looks at the destination alone", SAFETY + "limits.py",
         "part = np.linspace(0.0, 1.0, PATH_POINTS)", "part = np.ones(PATH_POINTS)", (GUARD,)),
    Slip("the Sun rule looks at the way and not where it ends", SAFETY + "limits.py",
         "part = np.linspace(0.0, 1.0, PATH_POINTS)", "part = np.linspace(0.0, 0.5, PATH_POINTS)",
         (GUARD,)),
    Slip("the Sun rule knows no long way round", SAFETY + "limits.py",
         "        (here[0] + part * long_deg, dec),\n", "", (GUARD,)),
    Slip("both axes are taken to keep pace", SAFETY + "limits.py",
         "((here[0] + part * short_deg)[:, None], dec)", "(here[0] + part * short_deg, dec)",
         ("safety/test_sun_ways.py",)),
    Slip("the Sun rule knows no way over the pole", SAFETY + "limits.py",
         "    if turns_over:\n", "    if False:\n", ("safety/test_sun_ways.py",)),
    Slip("the Sun rule hears of no change of sides", SAFETY + "pier.py",
         "return self._table.needs_flip and self.side is not self.taken_for(hour_angle_h)",
         "return False", (GUARD,)),
    Slip("the Sun may come 10° nearer", SAFETY + "limits.py",
         "    if nearest >= distance_deg:\n", "    if nearest >= distance_deg - 10.0:\n", (GUARD,)),
    Slip("the floor is 30° lower", SAFETY + "limits.py",
         "    if height_deg >= floor_deg:\n", "    if height_deg >= floor_deg - 30.0:\n", (GUARD,)),
    Slip("the roof opens until the Sun is 5° up", SAFETY + "limits.py",
         "    if height_deg <= limit_deg:\n", "    if height_deg <= limit_deg + 5.0:\n", (GUARD,)),
    Slip("the hour angle has no upper end", SAFETY + "limits.py",
         "if lowest_h <= hour_angle_h <= highest_h:", "if lowest_h <= hour_angle_h:", (GUARD,)),
    Slip("the hour angle has no lower end", SAFETY + "limits.py",
         "if lowest_h <= hour_angle_h <= highest_h:", "if hour_angle_h <= highest_h:", (GUARD,)),
    # The pier -----------------------------------------------------------------------------------
    Slip("the sides of the pier are taken for each other", SAFETY + "pier.py",
         "return PierSide.WEST if hour_angle_h < self._table.flip_after_h else PierSide.EAST",
         "return PierSide.EAST if hour_angle_h < self._table.flip_after_h else PierSide.WEST",
         (GUARD,)),
    Slip("the west of the pier allows what the east does", SAFETY + "pier.py",
         "limits.hour_angle(hour_angle_h, side, self._table.hour_angle_pier_west_h)",
         "limits.hour_angle(hour_angle_h, side, self._table.hour_angle_pier_east_h)", (GUARD,)),
    Slip("nothing is forbidden east of the pier", SAFETY + "pier.py",
         "return limits.hour_angle(hour_angle_h, side, self._table.hour_angle_pier_east_h)",
         'return ""', (GUARD,)),
    Slip("the time left is reckoned from the wrong end", SAFETY + "pier.py",
         "return self._table.hour_angle_pier_west_h[1] - hour_angle_h",
         "return hour_angle_h - self._table.hour_angle_pier_west_h[0]", (GUARD, PIER)),
    Slip("the mount's own report of its side is not heard", SAFETY + "pier.py",
         'if self._table.pier_side == "solved" else', "if True else", (GUARD,)),
    # The record of acts -------------------------------------------------------------------------
    Slip("an unwritten act may leave safety", SAFETY + "acts.py",
         LEAVES, "", (GUARD,)),
    Slip("an unwritten act holds up parking", SAFETY + "acts.py",
         LEAVES, "            raise\n", (GUARD,)),
    Slip("a ledger that failed once is asked no more", SAFETY + "acts.py",
         "        except LedgerError as error:  # what is unfinished stands for free or open\n",
         "        except LedgerError as error:\n            self._ledger = None\n", (GUARD,)),
    Slip("an act cut short counts as done", SAFETY + "acts.py",
         'self._finish(intent, part, act, f"not done: {str(cut) or type(cut).__name__}")',
         "self._finish(intent, part, act, DONE)", (GUARD,)),
    Slip("a restart forgets what was left free", SAFETY + "acts.py",
         "            if last is not None:\n", "            if False:\n", (GUARD,)),
    Slip("a part at rest is taken for free", SAFETY + "acts.py",
         "self._latest.get(part, RESTING[part]) != RESTING[part]", "True", (GUARD,)),
    # The way to safety --------------------------------------------------------------------------
    Slip("closes though the mount did not park", SAFETY + "make_safe.py",
         '        unclosed = "" if unparked else await close()\n',
         "        unclosed = await close()\n", (MAKE_SAFE,)),
    Slip("parks and does not close", SAFETY + "make_safe.py",
         '        unclosed = "" if unparked else await close()\n', '        unclosed = ""\n',
         (MAKE_SAFE,)),
    Slip("tries once only", SAFETY + "make_safe.py",
         "int(row_of(Act.SAFETY).tries)", "1", (MAKE_SAFE,)),
    Slip("a mount that cannot park tracks on", SAFETY + "make_safe.py",
         "    if unparked:\n        await _stand_still(guard, log)\n", "", (MAKE_SAFE,)),
    Slip("says nothing of what failed", SAFETY + "make_safe.py",
         '        raise NotSafe("; ".join(problems))\n', "        return\n", (MAKE_SAFE,)),
    Slip("a roof that clears waits for the mount", SAFETY + "make_safe.py",
         "    if guard.roof_clears_always:\n", "    if False:\n", (MAKE_SAFE,)),
    Slip("a roof's driver that is late holds up the parking", SAFETY + "make_safe.py",
         "            group.create_task(_ready(guard.connect_roof, log))\n",
         "            group.create_task(guard.connect_roof())\n", (MAKE_SAFE,)),
    Slip("connects the station as well", SAFETY + "make_safe.py",
         "            group.create_task(_ready(guard.connect_roof, log))\n",
         "            group.create_task(_ready(guard.connect_roof, log))\n"
         "            group.create_task(guard.connect_station())\n", (MAKE_SAFE,)),
    Slip("does not wait for a link", SAFETY + "make_safe.py",
         "        await guard.linked(LINK_DEADLINE_S)\n", "        pass\n", (MAKE_SAFE,)),
    # The night's table --------------------------------------------------------------------------
    Slip("rain cuts into no phase", NIGHT + "table.py",
         "    Cut.UNSAFE: P.SHELTERING,\n", "", (TABLE,)),
    Slip("rain does not cut into holding", NIGHT + "table.py",
         '            P.RETIRING: "the cloud stays",\n        },\n        _TARGET,\n',
         '            P.RETIRING: "the cloud stays",\n        },\n' + EXPOSED, (TABLE,)),
    Slip("rain does not cut into readying", NIGHT + "table.py",
         '            P.RETIRING: "nothing is left to do",\n        },\n        _OPEN,\n',
         '            P.RETIRING: "nothing is left to do",\n        },\n'
         + EXPOSED, (TABLE,)),
    Slip("rain does not cut into acquiring", NIGHT + "table.py",
         '            P.READYING: "no target is up",\n' + CLOUDY + "        _TARGET,\n",
         '            P.READYING: "no target is up",\n' + CLOUDY + EXPOSED, (TABLE,)),
    Slip("rain does not cut into gathering", NIGHT + "table.py",
         "        {**_TARGET, Cut.CLOUD: P.HOLDING},\n", EXPOSED, (TABLE,)),
    Slip("rain does not cut into crossing", NIGHT + "table.py",
         '            P.READYING: "the mount stays on its side",\n' + CLOUDY + "        _TARGET,\n",
         '            P.READYING: "the mount stays on its side",\n' + CLOUDY + EXPOSED, (TABLE,)),
    Slip("the pier is not watched", NIGHT + "table.py", "    Cut.LIMIT: P.READYING,\n", "",
         (TABLE,)),
    Slip("cloud cuts nothing short", NIGHT + "table.py",
         "{**_TARGET, Cut.CLOUD: P.HOLDING}", "_TARGET", (TABLE,)),
    Slip("never stranded", NIGHT + "table.py",
         "_CLOSING: Mapping[Cut, Phase] = {\n    Cut.MISTAKE: P.STRANDED,\n"
         "    Cut.NOT_SAFE: P.STRANDED,\n",
         "_CLOSING: Mapping[Cut, Phase] = {\n    Cut.MISTAKE: P.STRANDED,\n"
         "    Cut.NOT_SAFE: P.ASLEEP,\n", (TABLE,)),
    Slip("stranded leads to asleep", NIGHT + "table.py",
         '{P.RETIRING: "trying again"}', '{P.ASLEEP: "trying again"}', (TABLE,)),
    Slip("a mistake goes on with the roof open", NIGHT + "table.py",
         "    Cut.MISTAKE: P.RETIRING,\n", "    Cut.MISTAKE: P.READYING,\n", (TABLE,)),
    Slip("sheltering means that the roof may be open", NIGHT + "table.py",
         "shelter,\n        Roof.CLOSES,", "shelter,\n        Roof.MAY_BE_OPEN,", (TABLE,)),
    # Interrupts and the night -------------------------------------------------------------------
    Slip("the guard's refusal outranks unsafe weather", NIGHT + "interrupts.py",
         "(DeviceError, GuardRefusal, NotComputed,", "(DeviceError, NotComputed,", (INTERRUPTS,)),
    Slip("a person outranks unsafe weather", NIGHT + "interrupts.py",
         '    UNSAFE = "unsafe weather"\n    OPERATOR = "a person"\n',
         '    OPERATOR = "a person"\n    UNSAFE = "unsafe weather"\n', (INTERRUPTS,)),
    Slip("the weakest is heard", NIGHT + "interrupts.py",
         "return min(_members(several)", "return max(_members(several)", (INTERRUPTS,)),
    Slip("the watch on the weather is content", NIGHT + "interrupts.py",
         "    raise Unsafe(await context.guard.until_exposed())\n",
         "    await context.guard.until_exposed()\n", (PHASES,)),
    Slip("the watch on the pier is content", NIGHT + "interrupts.py",
         "        raise TurnedTooFar(str(refusal)) from refusal\n", "        return\n", (PHASES,)),
    Slip("the watch on the person hears nothing", NIGHT + "interrupts.py",
         '    raise Operator("a person asked for the end of the night")\n', "", (PHASES,)),
    Slip("dawn by one clock", NIGHT + "context.py",
         "self.guard.later_s()", "self.clock.unix_s()", (GUARD,)),
    Slip("dawn is looked for once", NIGHT + "context.py",
         "min(left_s, LOOK_AT_CLOCK_S)", "left_s", (GUARD,)),
    Slip("no trouble is too much", NIGHT + "night.py",
         "if number >= tries_of(context, part, row):", "if number >= 10 * row.tries:", (PHASES,)),
    Slip("six troubles become sixty", FAULTS + "table.py",
         '        6, 5.0, MOST, WAIT, (Then.RETIRE,), mend="Look at what',
         '        60, 5.0, MOST, WAIT, (Then.RETIRE,), mend="Look at what', (FAULT_TABLE,)),
    Slip("what was recovered from adds up", FAULTS + "troubles.py",
         "        return Troubles()\n", "        return self\n", (FAULT_TABLE,)),
    Slip("old trouble adds up", FAULTS + "troubles.py",
         "before.number if now_s - before.last_s < QUIET_S else 0", "before.number",
         (FAULT_TABLE,)),
    Slip("a mount is switched off and on", FAULTS + "table.py",
         "        4, 5.0, MOST, ANEW, (Then.RETIRE,), mend=_PLUGS),",
         "        4, 5.0, MOST, POWER, (Then.RETIRE,), mend=_PLUGS),", (FAULT_TABLE,)),
    Slip("what cannot succeed is asked again", FAULTS + "table.py",
         "        1, 0.0, 0.0, (), (Then.RETIRE,), mend=_SETS),",
         "        3, 0.0, 0.0, (), (Then.RETIRE,), mend=_SETS),", (FAULT_TABLE,)),
    Slip("no rest after trouble", NIGHT + "night.py",
         "await asyncio.sleep(wait_s(row, number))", "await asyncio.sleep(0.0)", (PHASES,)),
    Slip("rain waits for the end of a rest", NIGHT + "night.py",
         "RESTLESS = (Cut.UNSAFE, Cut.OPERATOR, ", "RESTLESS = (Cut.OPERATOR, ", (PHASES,)),
    Slip("nobody is called", NIGHT + "night.py",
         "context.log.emit(PersonNeeded(reason=reason))", "pass", (PHASES,)),
    Slip("a mistake is kept quiet", NIGHT + "night.py",
         "            raise self._failure\n", "            pass\n", (PHASES,)),
    Slip("a night that ended is armed again", NIGHT + "next_night.py",
         " and last.outcome == ENDED", ' and last.outcome == "over"', (PHASES,)),
    Slip("a night that was given up is over for who mended it", NIGHT + "night.py",
         "self._outcome, self._context.calibration_over = GIVEN_UP, True",
         "self._context.calibration_over = True",
         (f"{FAULT_NIGHTS}::test_a_fault_leads_where_the_table_says[camera has no offset]",)),
    Slip("the night's end is not recorded", NIGHT + "night.py",
         "finish, record, self._outcome,", 'finish, record, "over",', (PHASES,)),
    Slip("a daemon does not make safe when it starts", "daemon/nightloom/daemon.py",
         "            except NotSafe as reason:\n"
         "                self._log.emit(PersonNeeded(reason=str(reason)))\n",
         "            except NotSafe as reason:\n"
         "                return self._log.emit(PersonNeeded(reason=str(reason)))\n", (PHASES,)),
    # The phases ---------------------------------------------------------------------------------
    Slip("sheltering does not wait for safe weather", NIGHT + "shelter.py",
         "        await context.guard.until_weather_is_safe(wait_s)\n", "", (PHASES,)),
    Slip("sheltering waits for one safe reading", NIGHT + "shelter.py",
         "until_weather_is_safe(wait_s)", "until_weather_is_safe(0.0)", (PHASES,)),
    Slip("sheltering neither parks nor closes", NIGHT + "shelter.py",
         "        await make_safe(context.guard, context.log)\n", "", (PHASES,)),
    Slip("sheltering does not reach for the station", NIGHT + "shelter.py",
         "asking = group.create_task(_keep_asking(context))",
         "asking = group.create_task(asyncio.sleep(0.0))", (PHASES,)),
    Slip("readying opens in unsafe weather", NIGHT + "ready.py",
         "            if reasons:\n", "            if False:\n", (PHASES,)),
    Slip("readying opens hours early", NIGHT + "ready.py",
         "if context.clock.unix_s() < opens_s:", "if False:", (PHASES,)),
    Slip("readying waits with the roof as it is", NIGHT + "ready.py",
         "                await make_safe(context.guard, context.log)\n", "", (PHASES,)),
    Slip("readying leaves the mount tracking", NIGHT + "ready.py",
         "    await context.guard.stand_still()", "    pass", (PHASES,)),
    Slip("readying opens over a mount that it does not park", NIGHT + "ready.py",
         "        await context.guard.park()\n", "", (PHASES,)),
    Slip("readying connects no station", NIGHT + "ready.py",
         "(guard.connect_mount, guard.connect_roof, guard.connect_station)",
         "(guard.connect_mount, guard.connect_roof)", (PHASES,)),
    Slip("retiring neither parks nor closes", NIGHT + "retire.py",
         "        await make_safe(context.guard, context.log)\n", "", (PHASES,)),
    Slip("retiring leaves frames in hand", NIGHT + "retire.py",
         "    await context.pipeline.drain()\n", "", (PHASES,)),
    Slip("retiring leaves the sensor cold", NIGHT + "retire.py",
         "    await warm(context)\n", "", (PHASES,)),
    Slip("stranded does not rest", NIGHT + "retire.py",
         "    await asyncio.sleep(row_of(Act.STRANDED).wait_s)\n", "", (PHASES,)),
    Slip("stranded does not wait for the link", NIGHT + "retire.py",
         "    await context.guard.until_linked()\n", "", (PHASES,)),
    Slip("holding looks again at once", NIGHT + "hold.py",
         "asyncio.sleep(clouds.recheck_s)", "asyncio.sleep(0)",
         (PHASES,)),
    Slip("a dust cap holds up the roof", NIGHT + "closing_up.py",
         'context.log.emit(DeviceTrouble.of(error, "the roof closes all the same"))', "raise",
         (PHASES,)),
    Slip("letting go of the stars swallows a cancellation", "daemon/nightloom/guiding/guiding.py",
         "        await asyncio.wait({task})\n        if self._task is not task:",
         "        try:\n            await asyncio.wait({task})\n"
         "        except asyncio.CancelledError:\n            pass\n"
         "        if self._task is not task:", (LOOP,)),
    # Frames whose headers cannot be -------------------------------------------------------------
    Slip("a frame may end in the future", DEVICES + "frame_times.py",
         "if (end - now).total_seconds() <= self.allowed_s:", "if True:",
         ("devices/test_two_chips.py", "night/test_frames_as_told.py")),
    Slip("a frame with the other chip's times is lost", DEVICES + "exposure.py",
         '("" if self._of_two_chips else other_times)', "other_times",
         ("devices/test_two_chips.py",)),
    Slip("any frame may have the other chip's times", DEVICES + "exposure.py",
         "        return self._shared and (\n", "        return True or (\n",
         ("devices/test_two_chips.py",)),
    Slip("a guide frame that is nobody's ends a sub", FAULTS + "table.py",
         "(Part.GUIDE_CAMERA,), (Kind.LATE, Kind.REFUSED, Kind.CONTRADICTS),",
         "(Part.GUIDE_CAMERA,), (Kind.LATE, Kind.REFUSED),", ("night/test_frames_as_told.py",)),
    # The focus ----------------------------------------------------------------------------------
    Slip("a refused first curve leaves the focuser where it began", FOCUSING + "runs.py",
         "self.watch.assume(filter_name, curve.vertex_steps", "(filter_name, curve.vertex_steps",
         ("focusing/test_refused_first_curve.py",)),
    Slip("one side of the focus is enough for a guess", FOCUSING + "curve.py",
         "        len(side) >= _EACH_SIDE and max(side)", "        max(side, default=99.0)",
         ("focusing/test_refused_first_curve.py",)),
    Slip("a refused first curve is repeated as it was", FOCUSING + "scanning.py",
         "longer_s = min(LONGER * than_s,", "longer_s = min(than_s,",
         ("focusing/test_refused_first_curve.py",)),
    Slip("a drifting focus teaches the judge", FRAMES + "judging.py",
         "if math.isfinite(facts.in_focus_px):", "if False:",
         ("frames/test_drifting_focus.py",)),
    Slip("a night's frames are held against the frames before them alone", NIGHT + "assembly.py",
         "    pipeline.ask(in_focus_px)\n", "", ("frames/test_drifting_focus.py",)),
    Slip("worse air is taken for a focus that drifts", FOCUSING + "sharpest.py",
         "max(in_focus**2 + gained,", "max(in_focus**2,", ("focusing/test_sharpest.py",)),
    # What headers say ---------------------------------------------------------------------------
    Slip("a frame's centre is the target", NIGHT + "sub.py",
         "context.pointing.middle() or (target.ra_deg, target.dec_deg)",
         "(target.ra_deg, target.dec_deg)", ("night/test_headers_of_a_night.py",)),
    Slip("the focuser is said to stand where it began", NIGHT + "sub.py",
         "focuser_position_steps=context.focusing.seen_steps",
         "focuser_position_steps=observatory.focuser.start_steps",
         ("night/test_headers_of_a_night.py",)),
    Slip("the focuser is said to stand where it belongs", NIGHT + "sub.py",
         "focuser_position_steps=context.focusing.seen_steps",
         "focuser_position_steps=context.focusing.position_steps(sub.filter)",
         ("night/test_headers_of_a_night.py",)),
    Slip("the air makes more than all of a guide error", "daemon/nightloom/guiding/statistics.py",
         "return min(self._root(self.seeing_square_sum), self.rms_arcsec)",
         "return self._root(self.seeing_square_sum)", ("night/test_headers_of_a_night.py",)),
    # The link -----------------------------------------------------------------------------------
    Slip("bytes are a sign of life", LINK + "liveness.py",
         "        if messages != self._messages:\n",
         "        if messages != self._messages or received_bytes > self._heard_bytes:\n",
         ("link/test_liveness.py",)),
    Slip("any flow of bytes is a frame for ever", LINK + "liveness.py",
         "if flows and now_s - self._heard_s <= FRAME_S_MAX:", "if flows:",
         ("link/test_liveness.py",)),
    Slip("a slow frame is no sign of life", LINK + "liveness.py",
         "if flows and now_s - self._heard_s <= FRAME_S_MAX:", "if False:",
         ("link/test_liveness.py",)),
    Slip("an outage is told of once", "daemon/nightloom/telemetry/outages.py",
         "                log.emit(LinkAway(for_s=loop.time() - lost_s))\n",
         "                pass\n",
         ("telemetry/test_outages.py",)),
    # Clouds -------------------------------------------------------------------------------------
    Slip("a lost sub is exposed to its end", CLOUDS + "monitor.py",
         "if not going_on_is_worth(so_far, now, self._worth):", "if False:", (MONITOR,)),
    Slip("half a dither is left behind", CLOUDS + "monitor.py",
         "while not self.holding or self._moving:", "while not self.holding:", (MONITOR,)),
    Slip("a gust is a cloud", CLOUDS + "monitor.py",
         "if held or now_s - self._seen_s >= UNSEEN_S:", "if True:", (MONITOR,)),
    Slip("a hold goes on with a slew", NIGHT + "hold.py",
         'Next(Phase.GATHERING, "the', 'Next(Phase.ACQUIRING, "the', (BROKEN,)),
    Slip("dim frames are kept", CLOUDS + "frames.py",
         "SkyVerdict(transparency >= policy.accept_light, text", "SkyVerdict(True, text", (LIGHT,)),
    Slip("one reading decides over a sub", CLOUDS + "integral.py",
         "ratio_s=self.ratio_s + ratio * lasted_s", "ratio_s=ratio * (at_s - self.began_s)",
         (WORTH,)),
    Slip("nothing is looked at again", CLOUDS + "reference.py",
         "if one.ratio / clear < least]", "if False]", (LIGHT,)),
    Slip("a cloud is waited for to its end", CLOUDS + "watch.py",
         "if watch.foreseen >= FORESEEN:", "if False:", (CLEARING,)),
    Slip("few stars promise a clear sub", CLOUDS + "watch.py",
         "few or not _foresees(watch, policy)", "not _foresees(watch, policy)", (CLEARING,)),
    Slip("a pointing takes a sub more than it has room for", "daemon/nightloom/cycle/even.py",
         "here[share.filter] >= share.room", "here[share.filter] > share.room",
         ("cycle/test_even.py",)),
    Slip("a cycle begins where half of it has room", "daemon/nightloom/cycle/even.py",
         "or (completes and not _takes_a_cycle(cycle, here))", "",
         ("cycle/test_even.py",)),
    Slip("nobody sees a pointing that took too many",
         "daemon/nightloom/rehearsal/observer/dithers.py",
         "latest[sub.target, sub.filter] = sub, number + 1",
         "latest[sub.target, sub.filter] = sub, number",
         ("rehearsal/test_record_rules.py::test_a_pointing_takes_no_more_than_it_has_room_for",)),
    Slip("of the skies of a group only the first counts", "daemon/nightloom/schedule/windows.py",
         "for sky in group.sky for one", "for sky in group.sky[:1] for one",
         ("schedule/test_windows.py",)),
    Slip("any group may take a filter under any sky",
         "daemon/nightloom/rehearsal/observer/evenness.py",
         "return not sub.skies.isdisjoint(group.sky)", "return True",
         ("rehearsal/test_record_rules.py",)),
    Slip("a night gives a filter without end", "daemon/nightloom/settings/groups.py",
         "return max(0.0, min(whole, nightly))", "return max(0.0, whole)",
         ("schedule/test_windows.py",)),
    Slip("a target begins before its hour", "daemon/nightloom/schedule/windows.py",
         "[hours_of(target, self._zone, self._noon_s)]",
         "[Interval(-inf, hours_of(target, self._zone, self._noon_s).end_unix_s)]",
         ("schedule/test_windows.py",)),
    Slip("a short session is begun all the same", "daemon/nightloom/schedule/sessions.py",
         "is_short = one.end", "is_short = False and one.end", ("schedule/test_plan.py",)),
    Slip("nobody minds subs out of hours", "daemon/nightloom/rehearsal/observer/limits.py",
         "if max(early_s, late_s) > IN_ITS_HOURS.tolerance:",
         "if early_s > IN_ITS_HOURS.tolerance:", ("rehearsal/test_record_rules.py",)),
    Slip("a night's limit is not seen to be passed",
         "daemon/nightloom/rehearsal/observer/limits.py",
         "(target.whole, entry.filter): None if asked is None else asked.maximum_hours",
         "(target.whole, entry.filter): None",
         ("rehearsal/test_record_rules.py",)),
    Slip("a target that a cloud broke off is not taken up again for a short while",
         "daemon/nightloom/schedule/plan.py", "begun_target or start_target", "start_target",
         ("schedule/test_plan.py",)),
    Slip("a panel is left after each cycle", "daemon/nightloom/schedule/panels.py",
         "levels[running] < min(others) + visit", "levels[running] <= min(others)",
         ("schedule/test_panels.py",)),
    Slip("a panel is stayed on for ever", "daemon/nightloom/schedule/panels.py",
         "return running if stays else lowest", "return running", ("schedule/test_panels.py",)),
    Slip("a mosaic is turned the wrong way", "daemon/nightloom/settings/mosaic.py",
         "(left_deg, up_deg, angle_deg)", "(left_deg, up_deg, -angle_deg)",
         ("settings/test_mosaic.py",)),
    Slip("each panel has the hours of a night for itself", "daemon/nightloom/schedule/schedule.py",
         "panels = self._settings.targets.of(target.whole)", "panels = (target,)",
         ("night/test_mosaic_nights.py",)),
    Slip("nobody minds panels that are left behind",
         "daemon/nightloom/rehearsal/observer/panels.py",
         "if ahead > at_first + 1.0 +", "if ahead > at_first + 1000.0 +",
         ("rehearsal/test_record_rules.py",)),
    Slip("depth counts by seconds", "daemon/nightloom/cycle/even.py",
         "    if usual_worth is None:\n        return", "    if True:\n        return",
         ("cycle/test_even.py",)),
    Slip("worth forgets that light counts twice", "daemon/nightloom/frames/depth.py",
         "seen.starlight**2", "seen.starlight", ("frames/test_depth.py",)),
    Slip("taking back forgets evenness", "daemon/nightloom/frames/pipeline.py",
         "if known is None or not self._records.may_take_back(known):", "if known is None:",
         (TAKEN_BACK,)),
    Slip("moonlight is unexplained", CLOUDS + "frames.py",
         "/ (frame.lit_sky or 1.0)", "", (LIGHT,)),
    Slip("no stars is always cloud", CLOUDS + "unsolved.py",
         "        if facts.usual_radius_px:\n            return Unsolved.CLOUD, holds\n"
         "        return Unsolved.UNKNOWN", "        return Unsolved.CLOUD", (CAUSES,)),
    # The devices --------------------------------------------------------------------------------
    Slip("parked in an earlier life is parked", DEVICES + "mount.py",
         "return self.is_parked and self._parked_life == self.life",
         "return self.is_parked and self._parked_life is not None", (GUARD,)),
    Slip("parked is what it says", DEVICES + "mount.py",
         "return self.is_parked and self._parked_life == self.life", "return self.is_parked",
         (GUARD,)),
    Slip("parked may track", DEVICES + "mount.py",
         "return vector is not None and _parked(vector) and not self._says_tracking",
         "return vector is not None and _parked(vector)", (GUARD, MAKE_SAFE)),
    Slip("unparked is still seen parked", DEVICES + "mount.py",
         "        self._parked_life = None\n        vector = self.need(PARKING)\n",
         "        vector = self.need(PARKING)\n", (GUARD, MOUNTS, MAKE_SAFE)),
    Slip("on the way to its park is parked", DEVICES + "mount.py",
         'return vector.on("PARK") and vector.state not in (State.BUSY, State.ALERT)',
         'return vector.on("PARK")', (MOUNTS, MAKE_SAFE)),
    Slip("a roof is what it was in an earlier life", DEVICES + "roof.py",
         "self._seen is None or self._seen[1] != self.life or", "self._seen is None or",
         (GUARD,)),
    Slip("a roof is what it was, whatever it reads", DEVICES + "roof.py",
         "return self._seen[0] if self.state is self._seen[0] else RoofState.UNKNOWN",
         "return self._seen[0]", (PARTS, GUARD)),
    Slip("a roof on its way is where it goes", DEVICES + "roof.py",
         "return _settled(now) and now.on(element)", "return now.on(element)", (PARTS,)),
    Slip("a silent station is believed", DEVICES + "weather.py",
         "        if age_s > self.settings.silence_s:\n", "        if False:\n", (PARTS,)),
    Slip("a station that was never heard is believed", DEVICES + "weather.py",
         'return ["the station has not been heard yet"]', "return []", (PARTS,)),
    Slip("a frozen station is believed", DEVICES + "weather.py",
         "if frozen_s is not None and same_for_s > frozen_s:", "if False:", (PARTS,)),
    Slip("a definition counts as a reading", DEVICES + "weather.py",
         "                pass  # What a definition holds may be of any age.\n",
         "                self._heard_s = _now_s()\n", (PARTS,)),
    Slip("an override is no reason", DEVICES + "weather.py",
         '                reasons.append(f"{name} is on")\n', "                pass\n", (PARTS,)),
    Slip("the station's alert is no reason", DEVICES + "weather.py",
         '            reasons += [f"{light} is in alert{self._details(light, values)}"'
         " for light in alerts]\n", "", (PARTS,)),
    Slip("our own limit has no upper end", DEVICES + "weather_units.py",
         "if self.highest is not None and value > self.highest:", "if False:", (PARTS,)),
    Slip("our own limit has no lower end", DEVICES + "weather_units.py",
         "if self.lowest is not None and value < self.lowest:", "if False:", (UNITS,)),
    Slip("m/s are compared with km/h", DEVICES + "weather_units.py",
         "if stated is None or stated == self.unit:", "if True:", (STATIONS,)),
    Slip("what is not judged is safe", DEVICES + "weather.py",
         "for name, light in lights if light == State.IDLE]", "for name, light in lights if False]",
         (PARTS,)),
    Slip("a battery keeps a frozen station alive", DEVICES + "weather.py",
         "if any(word in name for word in OF_AIR)", "if True", (PARTS,)),
    Slip("one safe station is enough", DEVICES + "stations.py",
         "return WeatherReport(not unsafe, reasons, values, age_s)",
         "return WeatherReport(len(unsafe) < len(reports), reasons, values, age_s)", (STATIONS,)),
    Slip("one unheard station hides another's rain", DEVICES + "stations.py",
         "age_s = min(report.age_s for report in unsafe)",
         "age_s = max(report.age_s for report in unsafe)", (STATIONS,)),
    Slip("a station that will not connect keeps the others from it", SAFETY + "guard.py",
         "            except DeviceError as error:\n                failed = error\n",
         "            except DeviceError as error:\n                raise error from None\n",
         (GUARD,)),
    # Frames and tally -----------------------------------------------------------------------
    Slip("a frame that the disk refused counts", FRAMES + "disk.py",
         "append(error)\n        return str(error)\n", 'append(error)\n        return ""\n', FULL),
    Slip("a refusal of the disk is never forgotten", FRAMES + "disk.py",
         "        self._refusals.clear()\n", "", FULL),
    Slip("a disk that takes nothing is not noticed", FRAMES + "disk.py",
         "if len(self._refusals) >= UNWRITTEN_MAX:", "if False:", FULL),
    Slip("a frame's folder is not synced", FRAMES + "writer.py",
         "    partial.unlink()\n    sync_folder(path.parent)\n", "    partial.unlink()\n",
         (WRITER,)),
    Slip("a frame's bytes are not synced", FRAMES + "writer.py",
         "        file.flush()\n        os.fsync(file.fileno())\n", "        file.flush()\n",
         (WRITER,)),
    Slip("a frame's last block is not filled up", FRAMES + "writer.py",
         "yield part + bytes(-len(part) % BLOCK_BYTES)", "yield part", (WRITER,)),
    Slip("only the last part of a frame is summed", FRAMES + "writer.py",
         "datasum = added(datasum, part)", "datasum = added(0, part)", (WRITER,)),
    Slip("a table of stars is not summed", FRAMES + "star_table.py",
         "summed(table, added(0, data))", "summed(table, 0)", (WRITER,)),
    Slip("a table's last block is not filled up", FRAMES + "star_table.py",
         "data = rows + bytes(-len(rows) % BLOCK_BYTES)", "data = rows", (WRITER,)),
    Slip("a checksum goes where another text looks like it", FRAMES + "checksum.py",
         """at = blank.rindex(b"CHECKSUM= '") + len("CHECKSUM= '")""", "at = blank.index(ZERO)",
         (WRITER,)),
    Slip("a verdict on disk is not synced", FRAMES + "writer.py",
         "            os.fsync(file.fileno())\n            file.seek(0)\n",
         "            file.seek(0)\n", (WRITER,)),
    Slip("frames that a killed daemon left wait for the next night",
         "daemon/nightloom/night/left_over.py", "        pipeline.recover()\n", "",
         ("night/test_left_over.py",)),
    Slip("a server that goes while devices are looked at ends the daemon",
         "daemon/nightloom/reaching.py", "if link.connected and look >= LOOKS_MAX:", "if True:",
         ("test_reaching.py",)),
    Slip("a server may define properties without end", LINK + "indi.py",
         "if len(self._vectors) > VECTORS_MAX:", "if False:", (HOSTILE,)),
    Slip("a property may be of any size", LINK + "channel.py",
         "if len(packet) > RECORD_BYTES_MAX:", "if False:", ("link/test_indi_child.py",)),
    Slip("a message may be of any length", LINK + "liveness.py",
         "if received_bytes - self._heard_bytes > MESSAGE_BYTES_MAX:", "if False:",
         ("link/test_liveness.py",)),
    Slip("a new folder's name is not synced", "daemon/nightloom/folders.py",
         "exist_ok=True)\n        sync_folder(folder.parent)\n", "exist_ok=True)\n", (CUTS,)),
    Slip("what an earlier daemon made is not synced", "daemon/nightloom/folders.py",
         "            sync_folder(folder.parent)\n    else:", "            pass\n    else:",
         (CUTS,)),
    Slip("a file that does not say yet that it was taken back never does", FRAMES + "pipeline.py",
         "if self._disk.holds(frame):", "if False:", (CUTS,)),
    Slip("what is left of a frame's writing stays", FRAMES + "writer.py",
         "    partial.unlink()\n    sync_folder", "    sync_folder", (CUTS,)),
    Slip("a frame goes over another of its name", FRAMES + "writer.py",
         "        os.link(partial, path)  #", "        os.rename(partial, path)  #", (WRITER,)),
    Slip("a verdict in flight that turns out bad is not reckoned with",
         "daemon/nightloom/cycle/even.py", "        if _whole_subs(share, pending_s):\n",
         "        if False:\n", ("cycle/test_even.py",)),
    Slip("only one parity is tried", SOLVING + "catalogue_solver.py",
         "(False, True) if hint.mirrored is None", "(False,) if hint.mirrored is None",
         ("night/test_mirrored.py",)),
    Slip("a curve is believed whatever the frame after it shows",
         "daemon/nightloom/focusing/backlash.py",
         "point.radius_px > expected_radius_px(curve, zone_steps)", "False",
         ("focusing/test_backlash.py", "night/test_backlash_nights.py")),
    Slip("a first curve begins as near as any", "daemon/nightloom/focusing/runs.py",
         "if self._known_rig else self._with_run_up(step)", "if True else Travel(0, 1)",
         ("night/test_odd_rigs.py",)),
    Slip("the way back over a curve has even strides", FOCUSING + "backlash.py",
         "        if self._still(points):\n", "        if False:\n",
         ("focusing/test_backlash.py",)),
    Slip("a filter that alone is out of focus is not noticed", FOCUSING + "runs.py",
         "        return self._odd.odd\n", "        return ()\n",
         ("night/test_odd_rigs.py",)),
    Slip("an offset is in doubt before a later frame is sharp",
         "daemon/nightloom/focusing/odd_filter.py", "if one.began_s < sharp_s)", "if one)",
         ("focusing/test_odd_filter.py",)),
    Slip("a drift of the focus is blamed on the filter that it is seen in",
         FOCUSING + "odd_filter.py", "and name not in self.right", "",
         ("focusing/test_odd_filter.py", "frames/test_drifting_focus.py")),
    Slip("an offset that was seen once to be wrong is configured again the next night",
         "daemon/nightloom/focusing/learned.py",
         " or (one.trust is Trust.THIN and disproved(one))", "", ("night/test_odd_rigs.py",)),
    Slip("another chip's size is taken for the configured one's",
         "daemon/nightloom/seen_sensors.py",
         "return (self.device, self.head) == (said.device, head_of(said))", "return True",
         ("settings/test_likeness.py",)),
    Slip("backlash that was found is not taken up", "daemon/nightloom/focusing/runs.py",
         "backlash_steps=round(found.steps))", "backlash_steps=0)",
         ("focusing/test_focus_runs.py::test_more_backlash_than_is_taken_up_is_measured",)),
    Slip("backlash that was found is forgotten by the next night",
         "daemon/nightloom/focusing/runs.py", "        self._recall_backlash()\n", "",
         ("focusing/test_focus_runs.py::test_the_next_night_begins_with_what_was_measured",)),
    Slip("the focuser never sways", "daemon/nightloom/focusing/runs.py",
         "+ sway_steps)", "+ 0 * sway_steps)", SWAYING),
    Slip("the focuser stands on one side always", "daemon/nightloom/focusing/watching.py",
         "self._sides[filter_name] = -self._side(filter_name)", "pass", SWAYING),
    Slip("subs move the focus to the wrong side", "daemon/nightloom/focusing/best_focus.py",
         "slope = -self.steepness", "slope = self.steepness", SWAYING),
    Slip("a jump is taken for a drift", "daemon/nightloom/focusing/best_focus.py",
         "if sure or abs(news) > _SLIP * sqrt(variance + noise):", "if sure:", SWAYING),
    Slip("a wrong offset moves all filters", "daemon/nightloom/focusing/best_focus.py",
         "wrong = own if self.known and untold else _BEST", "wrong = _BEST", SWAYING),
    Slip("the temperature leaves nothing open", "daemon/nightloom/focusing/watching.py",
         "self._best = self._best.disturbed(MOST_OFF_ZONES * math.sqrt(part))", "pass",
         SWAYING),
    Slip("crossing leaves nothing open", "daemon/nightloom/focusing/watching.py",
         "self._best = self._best.disturbed(self._policy.turning_zones)", "pass", SWAYING),
    Slip("one bad sub asks for a look", "daemon/nightloom/focusing/watch.py",
         "_CLIP = 2.5", "_CLIP = 9.0", SWAYING),
    Slip("a restart forgets the focus", "daemon/nightloom/focusing/runs.py",
         "        if kept is None or kept.filter not in self._offsets:\n", "        if True:\n",
         ("focusing/test_focus_runs.py::test_good_learned_offsets_replace_configured_ones",)),
    # Power ------------------------------------------------------------------------------------
    Slip("power: a mount that moves loses it", DEVICES + "power_switch.py",
         "        self._at_rest(role, outlet)\n", "", POWER),
    Slip("power: what is cancelled stays without it", DEVICES + "power_switch.py",
         "        finally:\n            await asyncio.shield(self._switch(outlet, on=True))\n",
         "        finally:\n            pass\n", POWER),
    Slip("power: what was known of a device is still believed", DEVICES + "power_switch.py",
         "self.clock).reconnect()", "self.clock).connect()", POWER),
    Slip("power: the mount's outlet may feed others", "daemon/nightloom/settings/observatory.py",
         "            if sharing:\n", "            if False:\n", POWER),
    Slip("power: a night hangs on the box", "daemon/nightloom/rig.py",
         "if device not in (self.light_panel, self.power):", "if True:", POWER),
    Slip("an act that is not written down is not said", SAFETY + "acts.py",
         "            self._tell(part, act, error)\n            return None\n",
         "            return None\n", (GUARD,)),
    Slip("a full disk is found out with the first frame", FRAMES + "pipeline.py",
         "        self._own(self._disk.look())\n", "",
         ("frames/test_pipeline.py::test_a_disk_without_room_is_told_before_the_first_frame",)),
    Slip("a busy ledger is a lost one", NIGHT + "interrupts.py",
         "(DeviceError, GuardRefusal, NotComputed, LedgerBusy)",
         "(DeviceError, GuardRefusal, NotComputed)", ("night/test_busy_ledger.py",)),
    # Persons ------------------------------------------------------------------------------------
    Slip("a pause lets the mount track", NIGHT + "pause.py",
         "await unless([context.guard.keep_still()], ", "await unless([], ",
         asked("a_pause_in_the_middle_and_on_again[slewing]")),
    Slip("a pause looks once whether the mount tracks", SAFETY + "guard.py",
         "                    await self.stand_still()\n                await news.wait()\n",
         "                    await self.stand_still()\n                return\n",
         asked("a_pause_in_the_middle_and_on_again[slewing]")),
    Slip("a pause leaves the roof open all night", NIGHT + "desk.py",
         "OPEN_PAUSE_S = 1800.0", "OPEN_PAUSE_S = 1e6",
         asked("a_pause_stands_still_through_the_meridian_until_the_dark_ends")),
    Slip("the weather is unwatched in a pause", NIGHT + "table.py",
         "if cut is not Cut.PAUSE}", "if cut not in (Cut.PAUSE, Cut.UNSAFE)}", (TABLE,)),
    Slip("a pause is not heard", NIGHT + "table.py",
         "    Cut.PAUSE: P.PAUSING,\n", "", asked("a_pause_in_the_middle_and_on_again[slewing]")),
    Slip("the end waits for a sub although now was said", NIGHT + "interrupts.py",
         "first(context.desk.until_now(), context.shutter.until_closed())",
         "context.shutter.until_closed()", asked("now_cuts_what_was_waited_for")),
    Slip("the end waits for a sub however long", NIGHT + "interrupts.py",
         "left_s <= LAST_SUB_S", "left_s < 1e9",
         asked("the_end_does_not_wait_for_a_sub_that_has_long_to_go")),
    Slip("a target set aside is left and taken up again", NIGHT + "desk.py",
         "        self._set_aside(wanted)\n", "",
         asked("a_target_set_aside_in_the_middle[exposing]")),
    Slip("a pause is forgotten in a crash", NIGHT + "desk.py",
         "            self._pause, self.paused_by = last.id, last.detail[\"origin\"]\n"
         "            self._paused.set()\n", "            pass\n",
         asked("a_pause_outlives_a_crash")),
    Slip("a target set aside is forgotten in a crash", NIGHT + "desk.py",
         "                self._set_aside(act.detail[\"target\"])\n", "                pass\n",
         asked("a_target_set_aside_stays_so_after_a_crash")),
    Slip("a night that was ended begins again after a crash", NIGHT + "next_night.py",
         "        over.add(retired.detail[\"night\"])\n", "        pass\n",
         asked("a_night_that_was_ended_stays_ended_after_a_crash")),
    Slip("everybody may ask", "daemon/nightloom/requests/door.py",
         "            (folder / SOCKET).chmod(stat.S_IRUSR | stat.S_IWUSR)\n", "",
         ("requests/test_door.py",)),
    Slip("a target set aside before the dark is begun with at once",
         "daemon/nightloom/schedule/schedule.py", " if not self._is_aside(one.name)]",
         "]",
         ("safety/test_unwatched.py::test_a_target_that_comes_to_its_limit_while_it_is_acquired_goes"
          "_on_from_the_other_side",)),
    Slip("nights under way count as missed", "daemon/nightloom/upkeep.py",
         "if _ends_s(settings, night) < now_s]", "]", ("service/test_upkeep.py",)),
    Slip("a night that stands still seems alive", "daemon/nightloom/systemd.py",
         "return self.phase not in WORKING or", "return True or",
         ("service/test_signs_of_life.py",)),
    Slip("three stars on their places are a solution", SOLVING + "catalogue_solver.py",
         "MATCHED_MIN = 5\n", "MATCHED_MIN = 3\n", ("solving/test_star_lists.py",)),
    Slip("four stars on their places are a solution", SOLVING + "catalogue_solver.py",
         "MATCHED_MIN = 5\n", "MATCHED_MIN = 4\n", ("solving/test_near_misses.py",)),
    Slip("a solution may have a scale half as far off again", SOLVING + "triangles.py",
         "np.log1p(scale_tolerance)", "np.log1p(1.5 * scale_tolerance)",
         ("solving/test_near_misses.py",)),
    Slip("a solution may have another scale", SOLVING + "triangles.py",
         "np.log1p(scale_tolerance)", "1.0",
         ("solving/test_star_lists.py",)),
    Slip("a solution need not beat chance", SOLVING + "catalogue_solver.py",
         "LOG_ODDS_MIN = math.log(1e9)", "LOG_ODDS_MIN = -1e9", ("solving/test_star_lists.py",)),
    Slip("secrets are taken from a file that others read", "daemon/nightloom/settings/secrets.py",
         " and not seen.st_mode & OTHERS", "", ("notices/test_notices.py",)),
    Slip("a wrong token is taken", "daemon/nightloom/remote/access.py",
         "return hmac.compare_digest(_digest(given), _digest(self.token))", "return bool(given)",
         ("remote/test_access.py",)),
    Slip("another computer's name is taken for this one's", "daemon/nightloom/remote/access.py",
         "if name.lower() not in OWN_NAMES:", "if False:", ("remote/test_access.py",)),
    Slip("requests need no token at home", "daemon/nightloom/remote/access.py",
         "        if method not in READING:\n", "        if False:\n", ("remote/test_access.py",)),
    Slip("a cookie may ask", "daemon/nightloom/remote/access.py",
         "if method in READING and COOKIE in cookies:", "if COOKIE in cookies:",
         ("remote/test_access.py",)),
    Slip("a page of another site may ask", "daemon/nightloom/remote/access.py",
         "if (foreign := self.foreign(headers)) is not None:", "if foreign := None:",
         ("remote/test_access.py",)),
    Slip("elsewhere is listened without a token", "daemon/nightloom/settings/remote.py",
         "if not self.at_home and self.token_file is None:", "if False:",
         ("remote/test_answers.py",)),
    Slip("bodies have no end", "daemon/nightloom/remote/app.py",
         "if len(body) > BODY_BYTES_MAX:", "if False:", ("remote/test_bounds.py",)),
    Slip("slow callers may stay", "daemon/nightloom/remote/connections.py",
         "self._within(\"head\", HEAD_S, SLOW)\n\n    def data", "pass\n\n    def data",
         ("remote/test_bounds.py",)),
    Slip("who takes nothing may stay", "daemon/nightloom/remote/connections.py",
         "        self._within(\"taking\", UNTAKEN_S, UNTAKEN)\n", "", ("remote/test_bounds.py",)),
    Slip("streams have no end", "daemon/nightloom/remote/streams.py",
         "max(0, len(staying) + 1 - STREAMS_MAX)", "0", ("remote/test_bounds.py",)),
    Slip("a line is told twice after a cut", "daemon/nightloom/remote/lines.py",
         "lines.append((Place(place.night, behind), line))",
         "lines.append((Place(place.night, behind - len(line) - 1), line))",
         ("remote/test_log.py",)),
    # The report ---------------------------------------------------------------------------------
    Slip("what runs under an open shutter is time lost", REPORT + "minutes.py",
         "uses[number] = min(uses[number], rank)", "uses[number] = max(uses[number], rank)",
         (MINUTES,)),
    Slip("a run that was killed is taken for a long gap", REPORT + "reading.py",
         "self.silent.append(Interval(self._cut(), now_s))", "self._cut()",
         ("report/test_reading.py",)),
    Slip("the log's first verdict stands", REPORT + "reading.py",
         "fate=Fate.KEPT if frame.verdict is Verdict.ACCEPTED else Fate.REJECTED,\n"
         "        reason=frame.reason,", "",
         ("report/test_reading.py",)),
    Slip("a filter's own level is taken for the sky's", REPORT + "same_sky.py",
         "    if not quantity.exact:\n", "    if False:\n", ("report/test_same_sky.py",)),
    Slip("blocks are all of one length", REPORT + "same_sky.py",
         "    ends = list(accumulate(taken_s))\n",
         "    ends = [sum(taken_s) * (n + 1) / len(names) for n in range(len(names))]\n",
         ("report/test_same_sky.py",)),
    Slip("trails stay in a combination", REPORT + "combining.py",
         "    return np.where(near, stack, np.nan)\n", "    return stack\n",
         ("report/test_combining.py",)),
    Slip("noisy frames weigh as much", REPORT + "combining.py",
         "weights = np.array([layer.noise**-2.0 for layer in layers], np.float32)",
         "weights = np.ones(len(layers), np.float32)", ("report/test_combining.py",)),
    Slip("binned pixels are half a pixel off", REPORT + "combining.py",
         "there = (frame.wcs_world2pix(sky, 0)[:, ::-1] + 0.5) / step - 0.5",
         "there = frame.wcs_world2pix(sky, 0)[:, ::-1] / step", ("report/test_combining.py",)),
    Slip("frames beyond the first batch are left out of a combination", REPORT + "combining.py",
         "    return [slice(first, None, number) for first in range(number)]\n",
         "    return [slice(0, None, number)]\n", ("report/test_combining.py",)),
    Slip("a batch takes the place of those before it", REPORT + "combining.py",
         "self._weight[part] += each.sum(axis=0)", "self._weight[part] = each.sum(axis=0)",
         ("report/test_combining.py",)),
    Slip("a report that a stopped daemon owed is never written", "daemon/nightloom/daemon.py",
         "        self.mornings.make_up(self._settings, ledger, self._next_night())",
         "        pass",
         ("safety/test_phases_alone.py::test_a_night_that_ended_is_not_armed_again",)),
    Slip("an hour's gaps are taken for a night's", "daemon/nightloom/cli/weave.py",
         "round(asked.hours * _per_hour(asked, cost_s), 3)", "round(_per_hour(asked, cost_s), 3)",
         ("cli/test_weave_command.py",)),
    Slip("names in drawings are taken to be narrow", "daemon/nightloom/drawing/letters.py",
         "CAPITAL_EM, WIDE_EM = 0.43, 0.66, 0.79, 1.0", "CAPITAL_EM, WIDE_EM = 0.3, 0.4, 0.5, 0.6",
         ("drawing/test_night_sheet.py",)),
    Slip("a rig that may not be safe is told last", REPORT + "opening.py",
         "        *_unsafe(night, zone),\n        _kept(night, spent),\n",
         "        _kept(night, spent),\n        *_unsafe(night, zone),\n",
         ("report/test_opening.py",)),
    Slip("what the daemon started outlives it", "drivers/nightloom_drivers/leash.py",
         "if ctypes.CDLL(None, use_errno=True).prctl(PR_SET_PDEATHSIG, int(number)) != 0:",
         "if False:",
         ("rig/test_nothing_outlives.py::"
          "test_a_solver_that_started_another_program_ends_with_who_waits_for_it",)),
    # Calibration frames -------------------------------------------------------------------------
    Slip("a dark that light fell on is kept", LIBRARY + "leak.py",
         "    if above_adu <= most_adu:\n", "    if True:\n", (LEVELS, SHELF)),
    Slip("flats far off their level are kept", LIBRARY + "level.py",
         "TOLERANCE = 0.05", "TOLERANCE = 0.9", (LEVELS, SHELF)),
    Slip("a filter's flats are tried for ever", NIGHT + "flats.py",
         "self.kept < self.need.missing and self.missed < TRIALS_MAX",
         "self.kept < self.need.missing", (SHELF,)),
    Slip("flats of one side of the pier do not serve the other", LIBRARY + "needs.py",
         "HALF_TURN_DEG = 180.0", "HALF_TURN_DEG = 360.0", (NEEDS,)),
    Slip("darks of any age count", LIBRARY + "needs.py",
         "    fresh = sum(_young(need.kind, one.look, rules, now_s) for one in fitting)\n",
         "    fresh = len(fitting)\n", (NEEDS,)),
    Slip("darks are as warm as they come", LIBRARY + "needs.py",
         "    return _near(need.sensor_c, look.sensor_c, rules.temperature_c, _apart)\n",
         "    return True\n", (NEEDS,)),
    Slip("flats of the sky take no account of its brightening", LIBRARY + "twilight.py",
         "    return math.log1p(grown) / change_per_s\n",
         "    return asked_adu / rate_adu_per_s\n", (TWILIGHT,)),
    Slip("narrow filters come first at dawn", LIBRARY + "twilight.py",
         "best = max if brightens else min", "best = min if brightens else max", (TWILIGHT,)),
    Slip("the telescope tracks over flats of the sky", NIGHT + "sky_flats.py",
         "    await context.guard.stand_still()\n", "", (MORNING,)),
    Slip("a panel stays on", NIGHT + "flats.py",
         "    finally:\n        await panel.off()\n", "    finally:\n        pass\n",
         (CALIBRATING,)),
    Slip("the roof opens over a panel that is on", NIGHT + "ready.py",
         "panel is not None and panel.is_ready and panel.is_on", "False",
         (CALIBRATING,)),
    Slip("the Sun may rise over an open rig", NIGHT + "interrupts.py",
         "        if high and not context.guard.is_safe:\n", "        if False:\n",
         (CALIBRATING,)),
    Slip("who asked for the end waits for darks", NIGHT + "desk.py",
         "            self._ended.set()  # calibration frames might come yet\n", "",
         (CALIBRATING,)),
    Slip("nights take calibration frames unasked", NIGHT + "calibrate.py",
         "frozenset(map(FrameKind, context.settings.policies.calibration.night_takes))",
         "frozenset(FrameKind)", (CALIBRATING,)),
    Slip("the observer lets lit darks pass", "daemon/nightloom/rehearsal/observer/library.py",
         "if shot.light_adu > DARKS_DARK.tolerance:", "if False:",
         ("rehearsal/test_library_rules.py",)),
    Slip("the observer lets flats off their level pass",
         "daemon/nightloom/rehearsal/observer/library.py",
         "if abs(off) > FLATS_ON_LEVEL.tolerance:", "if False:",
         ("rehearsal/test_library_rules.py",)),
    # Star lists ---------------------------------------------------------------------------------
    Slip("lists scatter less than light does", PHYSICS + "listing.py",
         "crowd.light_adu + noise * drawn[2]", "crowd.light_adu", LISTS),
    Slip("lists hold every star there is", PHYSICS + "listing.py",
         "stands = seen.flux_adu * level / star.threshold_adu + noise > 1",
         "stands = seen.flux_adu > 0", LISTS),
    Slip("pixels add nothing to a listed star's size", PHYSICS + "measured_star.py",
         "summed_px2 = variance_px2 + joined**2 / 12", "summed_px2 = round_px2(blur)", LISTS),
    Slip("faint stars add no noise to lists", PHYSICS + "measured_star.py",
         "np.hypot(sky_adu, np.sqrt(blotches))", "sky_adu", LISTS),
    Slip("listed guide stars stand still", PHYSICS + "guide_listing.py",
         'stars["x"], stars["y"] = x + away_px * drawn[1], y + away_px * drawn[2]',
         'stars["x"], stars["y"] = x, y', GUIDE_LISTS),
    Slip("listed guide stars keep their light behind cloud", "daemon/nightloom/guiding/listed.py",
         'flux = np.where(seen, listed["flux_adu"] * inside, 0.0)',
         "flux = stars.flux_adu[: len(which)].copy()", GUIDE_LISTS),
    # Configurations ------------------------------------------------------------------------------
    Slip("a key without its bounds in the reference", SETTINGS + "reference.py",
         'return "not empty" if filled else bounds(field).strip()', 'return ""',
         ("test_reference.py",)),
    Slip("a draft written over what is there", "daemon/nightloom/cli/check_draft.py",
         "    if there:\n", "    if not there:\n", DRAFT),
    Slip("the larger of two cameras guides", CHECKS + "choosing.py",
         "_has_cooler(one), _area(one))\n\n\ndef", "_has_cooler(one), -_area(one))\n\n\ndef",
         DRAFT),
    Slip("devices left on by a look", CHECKS + "looking.py",
         "*(switch_off(link, name, patience_s) for name in off)", "", DRAFT),
    Slip("a station that nobody asks for is no matter", CHECKS + "draft.py",
         "    if not rig.stations:\n", "    if rig.stations:\n", DRAFT),
    Slip("a focuser's ends of its driver ignored", CHECKS + "fitting.py",
         "if said.maximum_steps > highest:", "if said.maximum_steps > 3 * highest:", FITTING),
    Slip("a driver's other place not told", CHECKS + "fitting.py",
         "if off_deg > NEAR_DEG:", "if off_deg > 180.0:", FITTING),
    Slip("a target below the horizon all year", CHECKS + "plausible.py",
         "target.dec_deg) <= 0:", "target.dec_deg) <= -90:", PLAUSIBLE),
    Slip("a disk that is not mounted taken for a folder", CHECKS + "disk.py",
         "and not point.is_mount()", "and point.is_mount()", PLAUSIBLE),
    Slip("a blind filter asked for", SETTINGS + "crosscheck.py",
         '.get("blind") is True', '.get("blind") is None', PROBLEMS),
    Slip("a telescope of f/0.005", SETTINGS + "observatory.py",
         "FASTEST_RATIO = 0.5", "FASTEST_RATIO = 0.001", PROBLEMS),
    Slip("a held table taken over", SETTINGS + "changes.py",
         'Policies: ("notices", "remote"),', 'Policies: ("notices",),', CHANGES),
    Slip("filters of another wheel taken over", SETTINGS + "changes.py",
         'held.add("filters")', "pass", CHANGES),
    Slip("a mark of byte order read as text", SETTINGS + "parsing.py",
         "if data.startswith(MARKS):", "if data.startswith(MARKS[1:]):", PROBLEMS),
    Slip("sixty minutes taken for an hour", SETTINGS + "coordinates.py",
         'warnings.simplefilter("error")', 'warnings.simplefilter("ignore")',
         ("settings/test_mutations.py", "settings/test_problems.py")),
    Slip("a header's negative size taken", DEVICES + "fits_image.py",
         "if not 0 <= number <= COUNT_MAX:", "if number > COUNT_MAX:", ANY_FRAME),
    Slip("what a device lacks waited for again", DEVICES + "device.py",
         "if self.is_ready and not self.link.ever_had(self.device, name):", "if False:",
         ("devices/test_cooling.py",)),
    Slip("a needed property that never comes tried again", DEVICES + "device.py",
         "            if self.link.ever_had(self.device, name):\n                raise\n",
         "            raise\n",
         ("devices/test_device_commands.py",)),
    # What trials found -------------------------------------------------------------------------
    Slip("a mount that starts anew behind cloud is not noticed", NIGHT + "hold.py",
         "        context.guard.need_mount()  # which", "        # which", FOUND),
    Slip("unguided frames say where they were taken", NIGHT + "sub.py",
         "wcs=None if context.unguided else context.pointing.wcs(),",
         "wcs=context.pointing.wcs(),", FOUND),
    Slip("cold air is waited for to become warm", NIGHT + "ready.py",
         "if camera.is_below(wanted_c):", "if False:", FOUND),
    Slip("a dither takes as long as the calendar says", NIGHT + "gap.py",
         "    began_s = steady_s()\n    step_px",
         "    began_s = context.clock.unix_s()\n    step_px",
         ("rehearsal/test_lives.py",)),
    Slip("a mount that parks and stands still has its whole time", DEVICES + "mount.py",
         "if left_s <= STILL_S or _stands_still(before, now):", "if left_s <= STILL_S:", (MOUNTS,)),
    Slip("a frame without stars has no room", FRAMES + "disk.py",
         "max(data.nbytes, BLOCK_BYTES)", "data.nbytes", ("frames/test_disk.py",)),
    Slip("what is killed clears up", "daemon/nightloom/rehearsal/lives.py",
         "        if self._life.over:\n            return self._stand_still()\n        try:\n"
         "            return self._work.send",
         "        try:\n            return self._work.send", ("rehearsal/test_lives.py",)),
)  # fmt: skip


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", default="", help="slips with this in their name or file")
    said = parser.parse_args()
    chosen = [slip for slip in SLIPS if said.only in f"{slip.name} {slip.file}"]
    console = Console(highlight=False, markup=False, soft_wrap=True)
    survived = []
    with tempfile.TemporaryDirectory(prefix="slips-") as folder:
        copy = _copied(Path(folder))
        for slip in chosen:
            caught = _caught_by(copy, slip)
            if caught.startswith(SURVIVED):
                survived.append(slip)
            console.print(f"{slip.name}: {caught}")
    console.print(f"{len(chosen)} slips, {len(chosen) - len(survived)} caught; survived:")
    console.print(*(f"    {slip.file}: {slip.name}" for slip in survived), sep="\n")
    return 1 if survived or not chosen else 0


def _copied(folder: Path) -> Path:
    for name in COPIED:
        if (TREE / name).is_dir():
            ignored = shutil.ignore_patterns("__pycache__", ".*")
            shutil.copytree(TREE / name, folder / name, ignore=ignored)
        else:
            shutil.copy(TREE / name, folder / name)
    return folder


def _caught_by(copy: Path, slip: Slip) -> str:
    """The first test that fails with the slip. Raises ValueError where it cannot be made."""
    file = copy / slip.file
    honest = file.read_text("utf-8")
    if honest.count(slip.text) != 1:
        raise ValueError(f"{slip.name}: its text stands {honest.count(slip.text)} times")
    slipped = honest.replace(slip.text, slip.instead)
    compile(slipped, slip.file, "exec")
    file.write_text(slipped, "utf-8")
    number = SLIPS.index(slip)
    os.utime(file, (number, number))  # compiled anew also where size and second are another's
    try:
        return _first_failure(copy, slip.tests)
    finally:
        file.write_text(honest, "utf-8")


def _first_failure(copy: Path, tests: tuple[str, ...]) -> str:
    """Name of the first test that fails in the copy, which a process of its own looks for."""
    SERVER.set_forkserver_preload(list(PRELOADED))
    hears, says = SERVER.Pipe(duplex=False)
    process = SERVER.Process(target=_run, args=(copy, tests, says))
    process.start()
    says.close()
    process.join(LIMIT_S)
    if process.exitcode is None:
        process.kill()
        process.join()
        return HUNG
    if process.exitcode == 0:
        return SURVIVED
    try:
        return str(hears.recv())
    except EOFError:
        return NOT_RUN


def _run(copy: Path, tests: tuple[str, ...], says: Connection) -> None:
    """Run the tests in the copy until the first that fails, tell its name, and exit as pytest."""
    os.chdir(copy)
    sys.dont_write_bytecode = False  # what did not change need not be compiled again
    sys.path[:0] = [str(copy / part) for part in ("daemon", "drivers", "tests")]
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)

    class Teller:
        def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
            if report.failed:
                says.send(report.nodeid)

    command = ["-x", "-q", "-p", "no:cacheprovider", "--tb=no"]
    sys.exit(int(pytest.main([*command, *(f"tests/{name}" for name in tests)], [Teller()])))


if __name__ == "__main__":
    sys.exit(main())
