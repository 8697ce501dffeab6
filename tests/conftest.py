"""What hypothesis does in the suite: the same examples each time, and no limit of its own on time, so that nothing hangs on a machine's
slow moment. `--hypothesis-profile=anew` draws others, and more of them."""
from hypothesis import HealthCheck, settings

settings.register_profile("suite", derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("anew", settings.get_profile("suite"), derandomize=False, max_examples=1000)
settings.load_profile("suite")
