"""The one engine: from a scene to what sensor and stack deliver, by mean transfer functions, without a verdict.

subject  which bodies can be looked at
chain    one setting: air, telescope, sensor; scenes go in, electrons per second come out
canvas   the square of sky, and its cells, on which a setup's pictures are judged
look     one body through one setup: window, average frame, exposure, the stack of a recording
colours  from a camera's channels to the colours of a screen
screen   one white balance and one level for all panels
"""
