"""Where to touch: targets on the model, the probe, reach, the order of touching."""

from .kinematics import Kinematics, RotaryAxis

__all__ = ["Kinematics", "RotaryAxis"]
