#!/usr/bin/env python3
"""Answers the C++ camera simulators' question for stars; they run it under the name `gsc`.

    gsc -c RA_DEG DEC_DEG -r ARCMIN -m BRIGHT FAINT -n COUNT

One line a star: id, ra, dec, position error, magnitude, its error, band, class, plate, multiple,
distance and direction; the simulators read the second, third and fifth of these twelve words.
They ask before every exposure and wait, so the stars are kept as one memory-mapped file.
"""

import argparse
import os
import sys
import tempfile
from pathlib import Path

from nightloom_drivers.catalogue import Catalogue, tycho2

STARS = Path(tempfile.gettempdir()) / f"nightloom-tycho2-{os.getuid()}.npy"


def stars() -> Catalogue:
    """The saved catalogue, made at the first question; a half-written file is never seen."""
    if not STARS.exists():
        catalogue = tycho2()
        if catalogue is None:
            sys.exit("gsc: astrometry-data-tycho2 is not installed")
        half_made = STARS.with_suffix(f".{os.getpid()}.npy")
        catalogue.save(half_made)
        half_made.replace(STARS)
    return Catalogue.load(STARS)


def main() -> None:
    """Print the stars, brightest first."""
    parser = argparse.ArgumentParser(prog="gsc")
    parser.add_argument("-c", nargs=2, type=float, required=True)
    parser.add_argument("-r", type=float, required=True)
    parser.add_argument("-m", nargs=2, type=float, required=True)
    parser.add_argument("-n", type=int, required=True)
    asked = parser.parse_args()
    bright, faint = asked.m
    ra_deg, dec_deg = asked.c
    found = stars().cone(ra_deg, dec_deg, asked.r / 60, faint)
    kept = [star for star in zip(*found, strict=True) if star[2] >= bright][: asked.n]
    for number, (ra, dec, mag) in enumerate(kept):
        words = f"{number:10d} {ra:10.6f} {dec:+10.6f} {0.1:5.1f} {mag:6.2f} {0.1:5.2f}"
        sys.stdout.write(f"{words} {1:3d} {0:2d} {'TYC':>4s} {'F':>2s} {0.0:7.2f} {0:4d}\n")


if __name__ == "__main__":
    main()
