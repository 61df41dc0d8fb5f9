"""For all tests: property tests are never judged by time, and CI tries the same examples each time."""

import os

from hypothesis import HealthCheck, settings

settings.register_profile(
    "brinelark",
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    derandomize=bool(os.environ.get("CI")),
    print_blob=True,
)
settings.load_profile("brinelark")
