"""What holds for every test: no property is timed, since a busy machine is no fault of the code."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

settings.register_profile("house", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("house")
