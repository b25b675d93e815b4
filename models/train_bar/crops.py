"""Numbers that training and `repcount.tracking.bar_net` share. They stand in both, because training
runs where the package's own dependencies are not installed; a test holds them together."""

CROP_PX = 224  # the network's input, square
CELL_PX = 4  # one cell of its maps
STORE_PX = 288  # training images are kept with a margin, for shifting, turning and scaling
PAD_LEVEL = 127  # grey level of what lies outside the image; it becomes 0 in the network
LEVELS = 64.0  # grey levels per unit of the network's input
AXIS_UNIT_PX = 10.0  # the network gives the logarithm of a semi-axis over this

# The square around the athlete, in statures: its side, and its centre above the floor.
SIDE_ST = 2.05
CENTRE_ST = 0.62
