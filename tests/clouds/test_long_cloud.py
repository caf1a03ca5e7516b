"""What follows on a cloud, by how long it has stayed."""

import pytest

from nightloom.clouds import AfterCloud, Held, LongCloud, after_cloud

RULE = LongCloud(recentre_after_s=1800.0)
ALL = LongCloud(1800.0, change_target_after_s=2400.0, end_night_after_s=7200.0)


@pytest.mark.parametrize(
    ("held", "rule", "follows"),
    [
        (Held(100.0, 100.0, 5.0, holding=False), RULE, AfterCloud.GO_ON),
        (Held(1900.0, 1900.0, 5.0, holding=False), RULE, AfterCloud.RECENTRE),
        (Held(9900.0, 100.0, 5.0, holding=False), RULE, AfterCloud.GO_ON),
        (Held(100.0, 100.0, 0.0, holding=True), RULE, AfterCloud.WAIT),
        (Held(90_000.0, 90_000.0, 0.0, holding=True), RULE, AfterCloud.WAIT),
        (Held(2000.0, 2000.0, 1850.0, holding=True), RULE, AfterCloud.RECENTRE),
        (Held(2399.0, 2399.0, 0.0, holding=True), ALL, AfterCloud.WAIT),
        (Held(2400.0, 2400.0, 0.0, holding=True), ALL, AfterCloud.OTHER_TARGET),
        (Held(5000.0, 300.0, 0.0, holding=True), ALL, AfterCloud.WAIT),
        (Held(7200.0, 300.0, 0.0, holding=True), ALL, AfterCloud.END_NIGHT),
        (Held(7200.0, 7200.0, 9.0, holding=False), ALL, AfterCloud.RECENTRE),
    ],
)
def test_what_follows(held: Held, rule: LongCloud, follows: AfterCloud) -> None:
    assert after_cloud(held, rule) is follows
