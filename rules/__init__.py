"""The numbers: water and membrane mathematics, detection, causes and actions. Pure numpy, no I/O, no clock."""
