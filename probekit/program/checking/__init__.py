"""What must not happen with a probe in the spindle, and the sheet that goes with a program to the machine."""
