"""Between the touches: how likely the whole surface is in its zone, what could hide there, where to touch next.

A probability that the surface is in its zone is never said alone: with it stand what the touches resolve, the blind
spot (hills and dents that no touch would have felt), and the condition that the form is smooth between the touches. The
word on the part stays with the decision rule on the touches.
"""

from .belief import learn
from .defects import Defects, blind_spot
from .earlier import learn_prior
from .further import touch_first, touch_next
from .nodes import nodes
from .surface import surface

__all__ = ["Defects", "blind_spot", "learn", "learn_prior", "nodes", "surface", "touch_first", "touch_next"]
