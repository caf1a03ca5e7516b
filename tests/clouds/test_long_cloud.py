"""What follows on a cloud, by how long it has stayed."""

import pytest

from nightloom.clouds import AfterCloud, LongCloud, after_cloud

RULE = LongCloud(recentre_after_s=1800.0)
ALL = LongCloud(1800.0, change_target_after_s=2400.0, end_night_after_s=7200.0)


@pytest.mark.parametrize(
    ("held_s", "holding", "thin_for_s", "rule", "follows"),
    [
        (100.0, False, 5.0, RULE, AfterCloud.GO_ON),
        (1900.0, False, 5.0, RULE, AfterCloud.RECENTRE),
        (100.0, True, 0.0, RULE, AfterCloud.WAIT),
        (90_000.0, True, 0.0, RULE, AfterCloud.WAIT),
        (2000.0, True, 1850.0, RULE, AfterCloud.RECENTRE),
        (2399.0, True, 0.0, ALL, AfterCloud.WAIT),
        (2400.0, True, 0.0, ALL, AfterCloud.OTHER_TARGET),
        (7200.0, True, 0.0, ALL, AfterCloud.END_NIGHT),
        (7200.0, False, 9.0, ALL, AfterCloud.RECENTRE),
    ],
)
def test_what_follows(
    held_s: float, holding: bool, thin_for_s: float, rule: LongCloud, follows: AfterCloud
) -> None:
    assert after_cloud(held_s, holding, thin_for_s, rule) is follows
