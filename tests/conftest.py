"""What all tests share: how Hypothesis looks for counterexamples here, and in a build."""

from __future__ import annotations

import os

from hypothesis import HealthCheck, settings

# A machine that several people use at once is slow now and then: no example is wrong for that.
settings.register_profile(
    "here", deadline=None, print_blob=True, suppress_health_check=[HealthCheck.too_slow]
)
# A build finds the same on every run; what is new is found at people's desks.
settings.register_profile("build", settings.get_profile("here"), derandomize=True, database=None)
settings.load_profile("build" if os.environ.get("CI") else "here")
