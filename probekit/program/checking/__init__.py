"""What must not happen with a probe in the spindle, and the sheet that goes with a program to the machine."""

from ...lazily import on_first_use

__getattr__, __dir__ = on_first_use(__name__)
