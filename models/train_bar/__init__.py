"""How `models/bar.onnx` was made: scenes rendered with strong variation, network, training."""
