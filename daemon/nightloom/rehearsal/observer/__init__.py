"""The judge of a rehearsed night.

It reads the simulated rig's truth, the disk and the ledger, and nothing that the daemon says; and
it shares no rule with what it judges.
"""

from nightloom.rehearsal.observer.exposures import TakenSub
from nightloom.rehearsal.observer.library import Shot
from nightloom.rehearsal.observer.observer import Observer
from nightloom.rehearsal.observer.records import Audit, audit
from nightloom.rehearsal.observer.rules import ENDED, RULES, Finding, Rule

__all__ = ["ENDED", "RULES", "Audit", "Finding", "Observer", "Rule", "Shot", "TakenSub", "audit"]
