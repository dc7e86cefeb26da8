"""From many short exposures to one picture: what a stack of them holds, and how far it may be restored.

results    the values that pass on: `Exposure`, `Recording`, `Stack`, `Restored`
expected   exposure, share of frames to keep, and the stack that a recording should give (mean and noise)
restore    restoration whose strength follows the noise; delivered sharpness; limb overshoot
"""
