"""How early, how right and how quiet detection is: a labelled set of invented plants, scored beside plain baselines.

`python -m tests.bench.detection --help`. Tune on seeds below 1000, report on seeds from 1000.
"""
