"""The queue: a bag of cells over several bays. Which cell is where, what it waits for, whose hands are needed when.

Knows courses (recipes one after another), the hours in which somebody is there, and what the bays share. Orders no
instrument: each run is a process of its own with its own guard and watchdog.

Begin with `decide` (pure: what may be begun now), `room` (pure: the fold over the queue's journal), then `supervisor`.
"""
