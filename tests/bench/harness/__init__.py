"""The bench: boots a Linux kernel that has CAN inside an emulated machine and runs a script there.

Nothing here knows what is tested; see docs/bench.md for the command line and `machine.Machine` for the Python interface.
"""
