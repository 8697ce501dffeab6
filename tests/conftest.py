"""No test of the suite hangs on how fast a machine is: the limits on time that hypothesis sets by itself are off."""
from hypothesis import HealthCheck, settings

settings.register_profile("untimed", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("untimed")
