"""Many rehearsed nights, each with an observatory, a sky and troubles that its seed draws."""

from nightloom.trials.campaign import Campaign, digest, played_nights
from nightloom.trials.outcome import Outcome, by_trouble
from nightloom.trials.playing import play_trial
from nightloom.trials.trial import Trial, trial_of

__all__ = [
    "Campaign",
    "Outcome",
    "Trial",
    "by_trouble",
    "digest",
    "play_trial",
    "played_nights",
    "trial_of",
]
