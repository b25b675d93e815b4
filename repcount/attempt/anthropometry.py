"""Proportions of the body as fractions of the body height.

Drillis and Contini 1966, in Winter, Biomechanics and Motor Control of Human Movement, 2009, Fig.
4.1. Lengths of segments but the hand's: as given by Winter 2009 Fig. 4.1; seen in third-party code.
Heights of standing landmarks above the floor, the hand's length and the breadth of the shoulders:
from memory.
"""

from __future__ import annotations

# Lengths of segments: as given by Winter 2009 Fig. 4.1; seen in third-party code that cites it.
TRUNK_ST = 0.288
THIGH_ST = 0.245
SHANK_ST = 0.246
UPPER_ARM_ST = 0.186
FOREARM_ST = 0.146
FOOT_ST = 0.152
# From memory.
HAND_ST = 0.108
SHOULDER_BREADTH_ST = 0.259

# Heights above the floor, standing upright, the arms hanging: from memory.
ANKLE_HEIGHT_ST = 0.039
KNEE_HEIGHT_ST = 0.285
HIP_HEIGHT_ST = 0.530
SHOULDER_HEIGHT_ST = 0.818
CHIN_HEIGHT_ST = 0.870
EYE_HEIGHT_ST = 0.936
ELBOW_HEIGHT_ST = 0.630
WRIST_HEIGHT_ST = 0.485
FINGERTIP_HEIGHT_ST = 0.377

# What follows from these. A fist holds a bar about half a hand beyond the wrist.
GRIP_ST = 0.055
HEAD_ST = round(1 - CHIN_HEIGHT_ST, 3)
HIP_ABOVE_KNEE_ST = round(HIP_HEIGHT_ST - KNEE_HEIGHT_ST, 3)
HIP_ABOVE_ANKLE_ST = round(HIP_HEIGHT_ST - ANKLE_HEIGHT_ST, 2)
# Shoulder, arm and grip, less what the arms lean; raised shoulders add up to 0.04.
BAR_OVERHEAD_ST = 1.25
# A bar on the floor: the radius of a disc of 450 mm (IWF) over a body height of 1.75 m.
BAR_ON_FLOOR_ST = 0.13
