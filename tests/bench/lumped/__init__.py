"""Plant histories of another physics than the simulator's, and what `replay` tells of them.

Nothing here imports `simulator` or `rules`: laws, marching, control, sensors and faults are written anew and in other
forms, so that what the rules owe to the habits of our own simulator shows.
"""
