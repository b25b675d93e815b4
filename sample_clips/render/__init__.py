"""Renders a person lifting a barbell in a gym, with exact ground truth.

Axes everywhere: metres, x = athlete's left, y = up, z = athlete's forward, floor at y = 0.
"""
