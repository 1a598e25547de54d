"""The only room that touches files of sound and picture: reading, writing, and nothing else.

Time leaves this room in clip seconds: 0 is the earliest presentation timestamp of any stream of the
file after edit lists.  Inside, it is ticks times the stream's rational time base.
"""
