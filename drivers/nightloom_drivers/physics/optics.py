"""How much light a telescope brings to a sensor, and how large it lays the sky on it."""

import numpy as np

from nightloom_drivers.rig_settings import OpticsSettings, SensorSettings

# Photons of a star of magnitude 0, per second, cm² and nm. A test holds them within 8 % of those of
# the flux densities in Bessell 1979, PASP 91, 589.
_STAR_NM = (360.0, 440.0, 550.0, 640.0, 790.0)
_STAR_PHOTONS = (7560.0, 14000.0, 10050.0, 7020.0, 4520.0)


def zero_point_e_per_s(
    optics: OpticsSettings,
    sensor: SensorSettings,
    wavelength_nm: float,
    band_nm: float,
    peak: float,
) -> float:
    """Electrons per second from a star of magnitude 0 in the band, outside the atmosphere."""
    photons = float(np.interp(wavelength_nm, _STAR_NM, _STAR_PHOTONS))
    efficiency = optics.throughput * sensor.quantum_efficiency * peak
    return photons * band_nm * optics.area_cm2 * efficiency


def scale_arcsec_per_px(optics: OpticsSettings, sensor: SensorSettings) -> float:
    """Angle that one pixel sees."""
    return 206.264806 * sensor.pixel_um / optics.focal_length_mm
