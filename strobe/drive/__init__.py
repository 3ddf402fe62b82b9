"""The drive: which part makes the wobble that was measured, how sure that is, and what to check next.

Takes a `Machine` (what is known of it) and a finished reading; knows nothing of video or the screen.
"""
