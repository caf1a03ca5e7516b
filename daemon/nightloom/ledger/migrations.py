"""The ledger's schema, as the numbered steps that led to it. Steps are added, never changed."""

import sqlite3

MIGRATIONS = (
    """
    CREATE TABLE intents (
        id INTEGER PRIMARY KEY,
        kind TEXT NOT NULL,
        detail TEXT NOT NULL,
        begun_utc TEXT NOT NULL,
        ended_utc TEXT,
        outcome TEXT,
        CHECK ((ended_utc IS NULL) = (outcome IS NULL))
    ) STRICT;
    CREATE INDEX intents_unfinished ON intents (id) WHERE outcome IS NULL;

    CREATE TABLE frames (
        uid TEXT PRIMARY KEY,
        night TEXT NOT NULL,
        target TEXT NOT NULL,
        filter TEXT NOT NULL,
        exposure_s REAL NOT NULL CHECK (exposure_s > 0),
        start_utc TEXT NOT NULL,
        path TEXT NOT NULL,
        sha256 TEXT NOT NULL,
        verdict TEXT NOT NULL CHECK (verdict IN ('accepted', 'rejected')),
        reason TEXT NOT NULL,
        pointing INTEGER NOT NULL,
        half_flux_radius_px REAL,
        stars INTEGER,
        background_adu REAL,
        guide_rms_arcsec REAL,
        CHECK (verdict = 'accepted' OR reason <> '')
    ) STRICT;
    CREATE INDEX frames_tally ON frames (target, verdict, filter, night);

    CREATE TABLE curves (
        id INTEGER PRIMARY KEY,
        night TEXT NOT NULL,
        taken_utc TEXT NOT NULL,
        filter TEXT NOT NULL,
        positions_steps TEXT NOT NULL,
        radii_px TEXT NOT NULL,
        accepted INTEGER NOT NULL CHECK (accepted IN (0, 1)),
        refusal TEXT NOT NULL,
        vertex_steps REAL,
        error_steps REAL,
        temperature_c REAL,
        CHECK (accepted = 0 OR vertex_steps IS NOT NULL)
    ) STRICT;
    """,
    """
    ALTER TABLE frames ADD COLUMN rotation_deg REAL;

    CREATE TABLE durations (
        id INTEGER PRIMARY KEY,
        kind TEXT NOT NULL CHECK (kind IN ('download', 'change', 'dither')),
        before TEXT NOT NULL,
        after TEXT NOT NULL,
        took_s REAL NOT NULL CHECK (took_s >= 0),
        measured_utc TEXT NOT NULL
    ) STRICT;
    CREATE INDEX durations_latest ON durations (kind, before, after, id);
    """,
    """
    CREATE TABLE guide_calibrations (
        id INTEGER PRIMARY KEY,
        measured_utc TEXT NOT NULL,
        pier_side TEXT NOT NULL CHECK (pier_side IN ('east', 'west', 'unknown')),
        scale_arcsec_per_px REAL NOT NULL CHECK (scale_arcsec_per_px > 0),
        declination_deg REAL NOT NULL,
        ra_angle_deg REAL NOT NULL,
        dec_angle_deg REAL NOT NULL,
        ra_rate_px_per_s REAL NOT NULL CHECK (ra_rate_px_per_s > 0),
        dec_rate_px_per_s REAL NOT NULL CHECK (dec_rate_px_per_s > 0),
        backlash_s REAL NOT NULL CHECK (backlash_s >= 0),
        north_is_south INTEGER NOT NULL CHECK (north_is_south IN (0, 1))
    ) STRICT;
    """,
    """
    CREATE TABLE places (
        id INTEGER PRIMARY KEY,
        night TEXT NOT NULL,
        target TEXT NOT NULL,
        number INTEGER NOT NULL CHECK (number > 0),
        x_px REAL NOT NULL,
        y_px REAL NOT NULL,
        UNIQUE (target, night, number)
    ) STRICT;
    """,
    """
    ALTER TABLE curves ADD COLUMN star_counts TEXT NOT NULL DEFAULT '[]';
    ALTER TABLE curves ADD COLUMN exposures_s TEXT NOT NULL DEFAULT '[]';
    ALTER TABLE curves ADD COLUMN radius_px REAL;
    ALTER TABLE curves ADD COLUMN slope_px_per_step REAL;
    ALTER TABLE curves ADD COLUMN reason TEXT NOT NULL DEFAULT '';
    """,
    """
    CREATE TABLE focus_checks (
        id INTEGER PRIMARY KEY,
        night TEXT NOT NULL,
        taken_utc TEXT NOT NULL,
        filter TEXT NOT NULL,
        positions_steps TEXT NOT NULL,
        radii_px TEXT NOT NULL,
        outcome TEXT NOT NULL CHECK (outcome IN ('stayed', 'moved', 'unclear')),
        vertex_steps REAL,
        error_steps REAL,
        correction_steps REAL NOT NULL,
        temperature_c REAL,
        reason TEXT NOT NULL,
        CHECK (outcome = 'unclear' OR (vertex_steps IS NOT NULL AND error_steps IS NOT NULL))
    ) STRICT;
    """,
    """
    CREATE TABLE pointing_misses (
        id INTEGER PRIMARY KEY,
        night TEXT NOT NULL,
        measured_utc TEXT NOT NULL,
        pier_side TEXT NOT NULL CHECK (pier_side IN ('east', 'west', 'unknown')),
        east_deg REAL NOT NULL,
        north_deg REAL NOT NULL,
        told_east_deg REAL NOT NULL,
        told_north_deg REAL NOT NULL,
        doubted INTEGER NOT NULL CHECK (doubted IN (0, 1))
    ) STRICT;
    """,
    """
    CREATE TABLE hot_pixels (
        id INTEGER PRIMARY KEY,
        measured_utc TEXT NOT NULL,
        width_px INTEGER NOT NULL CHECK (width_px > 0),
        height_px INTEGER NOT NULL CHECK (height_px > 0),
        places TEXT NOT NULL
    ) STRICT;
    """,
    """
    CREATE TABLE subs (
        uid TEXT PRIMARY KEY,
        night TEXT NOT NULL,
        target TEXT NOT NULL,
        filter TEXT NOT NULL,
        exposure_s REAL NOT NULL CHECK (exposure_s > 0),
        pointing INTEGER NOT NULL,
        begun_utc TEXT NOT NULL,
        stage TEXT NOT NULL
            CHECK (stage IN ('begun', 'closed', 'arrived', 'stored', 'judged', 'cancelled')),
        airmass REAL,
        guide_rms_arcsec REAL,
        guide_ra_rms_arcsec REAL,
        guide_dec_rms_arcsec REAL,
        guide_peak_arcsec REAL,
        guide_seeing_arcsec REAL,
        rotation_deg REAL,
        doubt TEXT NOT NULL,
        bumped INTEGER NOT NULL CHECK (bumped IN (0, 1)),
        start_utc TEXT,
        path TEXT NOT NULL,
        outcome TEXT NOT NULL,
        CHECK ((stage IN ('judged', 'cancelled')) = (outcome <> ''))
    ) STRICT;
    CREATE INDEX subs_in_flight ON subs (begun_utc) WHERE outcome = '';
    """,
    """
    ALTER TABLE frames ADD COLUMN kind TEXT NOT NULL DEFAULT 'light'
        CHECK (kind IN ('light', 'dark', 'bias', 'flat'));
    ALTER TABLE subs ADD COLUMN kind TEXT NOT NULL DEFAULT 'light'
        CHECK (kind IN ('light', 'dark', 'bias', 'flat'));
    ALTER TABLE subs ADD COLUMN clouded INTEGER NOT NULL DEFAULT 0 CHECK (clouded IN (0, 1));
    UPDATE subs SET clouded = 1 WHERE doubt <> '' AND bumped = 0;
    ALTER TABLE subs DROP COLUMN doubt;
    ALTER TABLE subs DROP COLUMN bumped;
    """,
    """
    ALTER TABLE subs ADD COLUMN guide_transparency REAL;
    ALTER TABLE subs ADD COLUMN lit_sky REAL;
    UPDATE subs SET guide_transparency = 0 WHERE clouded = 1;
    ALTER TABLE subs DROP COLUMN clouded;
    ALTER TABLE frames ADD COLUMN taken_back_after TEXT NOT NULL DEFAULT '';
    ALTER TABLE frames ADD COLUMN dim INTEGER NOT NULL DEFAULT 0 CHECK (dim IN (0, 1));
    """,
    """
    CREATE TABLE focuser_backlash (
        id INTEGER PRIMARY KEY,
        night TEXT NOT NULL,
        measured_utc TEXT NOT NULL,
        known_steps INTEGER NOT NULL CHECK (known_steps >= 0),
        found_steps REAL NOT NULL CHECK (found_steps >= 0),
        error_steps REAL NOT NULL
    ) STRICT;
    """,
    """
    ALTER TABLE frames ADD COLUMN gain REAL;
    ALTER TABLE frames ADD COLUMN binning INTEGER;
    ALTER TABLE frames ADD COLUMN noise_adu REAL;
    ALTER TABLE frames ADD COLUMN starlight REAL;
    ALTER TABLE frames ADD COLUMN worth_s REAL CHECK (worth_s >= 0);
    CREATE INDEX frames_depth ON frames (filter, gain, binning, verdict);
    """,
    """
    ALTER TABLE subs ADD COLUMN mosaic TEXT NOT NULL DEFAULT '';
    ALTER TABLE subs ADD COLUMN panel INTEGER NOT NULL DEFAULT 0 CHECK (panel >= 0);
    ALTER TABLE frames ADD COLUMN mosaic TEXT NOT NULL DEFAULT '';
    ALTER TABLE frames ADD COLUMN panel INTEGER NOT NULL DEFAULT 0 CHECK (panel >= 0);
    """,
    """
    ALTER TABLE frames ADD COLUMN camera_offset REAL;
    ALTER TABLE frames ADD COLUMN sensor_c REAL;
    ALTER TABLE subs ADD COLUMN sensor_c REAL;

    CREATE TABLE calibration_frames (
        uid TEXT PRIMARY KEY,
        night TEXT NOT NULL,
        kind TEXT NOT NULL CHECK (kind IN ('dark', 'bias', 'flat')),
        filter TEXT NOT NULL CHECK ((kind = 'flat') = (filter <> '')),
        exposure_s REAL NOT NULL CHECK (exposure_s >= 0),
        start_utc TEXT NOT NULL,
        path TEXT NOT NULL,
        sha256 TEXT NOT NULL,
        level_adu REAL NOT NULL,
        gain REAL,
        camera_offset REAL,
        binning INTEGER NOT NULL,
        sensor_c REAL,
        rotation_deg REAL,
        panel_level REAL
    ) STRICT;
    """,
)


def version_of(connection: sqlite3.Connection) -> int:
    """Number of migrations the file has been through."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def migrate(connection: sqlite3.Connection) -> None:
    """Take the file through the migrations it lacks, each one whole or not at all."""
    for number in range(version_of(connection) + 1, len(MIGRATIONS) + 1):
        step = MIGRATIONS[number - 1]
        connection.executescript(f"BEGIN IMMEDIATE; {step} PRAGMA user_version = {number}; COMMIT;")
