"""The network: plain convolutions, which OpenCV's dnn runs faster than separable ones.

Input (n, 3, CROP_PX, CROP_PX): (RGB - PAD_LEVEL) / LEVELS. Output (n, 10, cells, cells), cells of
CELL_PX: heat of the left and of the right end (logits); their offsets from the cell's middle, dx
and dy of the left, of the right (cells); the logarithms of their semi-axes over AXIS_UNIT_PX; how
much of the face is seen (logits).
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import torch
from torch import Tensor, nn
from torch.nn import functional as F
from torch.nn.utils.fusion import fuse_conv_bn_eval

from models.train_bar.crops import CROP_PX

STEM = 16
WIDTHS = (24, 40, 72, 128)  # at a 4th, an 8th, a 16th, a 32nd of the input
DEPTHS = (0, 1, 2, 2)
DECODER = 32
LAST = 24  # channels of the finest maps, where each costs most
OUTPUTS = 10


class Conv(nn.Module):
    def __init__(self, a: int, b: int, size: int = 3, stride: int = 1, relu: bool = True) -> None:
        super().__init__()
        self.conv = nn.Conv2d(a, b, size, stride, size // 2, bias=False)
        self.norm: nn.Module = nn.BatchNorm2d(b)
        self.relu = relu

    def forward(self, x: Tensor) -> Tensor:
        y = self.norm(self.conv(x))
        return F.relu(y) if self.relu else y

    def fuse(self) -> None:
        assert isinstance(self.norm, nn.BatchNorm2d)
        self.conv = fuse_conv_bn_eval(self.conv, self.norm)
        self.norm = nn.Identity()


class Residual(nn.Module):
    def __init__(self, c: int) -> None:
        super().__init__()
        self.a, self.b = Conv(c, c), Conv(c, c, relu=False)

    def forward(self, x: Tensor) -> Tensor:
        return x + self.b(self.a(x))


class BarNetwork(nn.Module):
    def __init__(self) -> None:
        super().__init__()
        self.stem = Conv(3, STEM, 3, 2)
        inputs = (STEM, *WIDTHS[:-1])
        self.down = nn.ModuleList(
            nn.Sequential(Conv(a, b, 3, 2), *(Residual(b) for _ in range(n)))
            for a, b, n in zip(inputs, WIDTHS, DEPTHS, strict=True)
        )
        self.lateral = nn.ModuleList(Conv(b, DECODER, 1) for b in WIDTHS)
        self.merge = nn.ModuleList(Conv(DECODER, c) for c in (LAST, DECODER, DECODER))
        self.head = nn.Conv2d(LAST, OUTPUTS, 1)
        nn.init.zeros_(self.head.bias)
        nn.init.constant_(self.head.bias[:2], -5.0)

    def forward(self, x: Tensor) -> Tensor:
        x = self.stem(x)
        sides = []
        for down in self.down:
            x = down(x)
            sides.append(x)
        y = self.lateral[-1](sides[-1])
        for k in range(len(sides) - 2, -1, -1):
            y = F.interpolate(y, scale_factor=2.0, mode="nearest") + self.lateral[k](sides[k])
            y = self.merge[k](y)
        return self.head(y)


@torch.no_grad()
def restore(net: BarNetwork, path: Path, pictures: Tensor) -> None:
    """Put the weights of an ONNX file that `onnx_bytes` wrote into `net`. There the batch norms are
    folded away; here each gets back the mean and spread that it sees on `images`, so that on them
    the network answers as the file does."""
    import onnx
    from onnx import numpy_helper

    stored = {
        one.name: torch.from_numpy(numpy_helper.to_array(one).copy())
        for one in onnx.load(str(path)).graph.initializer
    }
    net.head.weight.copy_(stored["head.weight"])
    net.head.bias.copy_(stored["head.bias"])
    hooks = []
    for name, module in net.named_modules():
        if isinstance(module, Conv):
            module.conv.weight.copy_(stored[f"{name}.conv.weight"])
            bias = stored[f"{name}.conv.bias"].to(module.conv.weight.device)
            hooks.append(module.norm.register_forward_pre_hook(_fitted(bias)))
    net.eval()
    net(pictures)
    for hook in hooks:
        hook.remove()
    net.train()


def _fitted(bias: Tensor) -> Any:
    """A hook that sets a batch norm to what comes in, so that it only adds `bias`."""

    def set_norm(norm: nn.Module, inputs: tuple[Tensor, ...]) -> None:
        assert isinstance(norm, nn.BatchNorm2d)
        assert norm.running_mean is not None
        assert norm.running_var is not None
        mean, spread = inputs[0].mean((0, 2, 3)), inputs[0].var((0, 2, 3), unbiased=False)
        norm.running_mean.copy_(mean)
        norm.running_var.copy_(spread)
        norm.weight.copy_(torch.sqrt(spread + norm.eps))
        norm.bias.copy_(mean + bias)

    return set_norm


def onnx_bytes(net: BarNetwork) -> bytes:
    """The network as an ONNX file, batch norms folded into the convolutions."""
    plain = BarNetwork()
    plain.load_state_dict({k: v.float().cpu() for k, v in net.state_dict().items()})
    plain.eval()
    for module in list(plain.modules()):
        if isinstance(module, Conv):
            module.fuse()
    file = io.BytesIO()
    torch.onnx.export(
        plain, (torch.zeros(1, 3, CROP_PX, CROP_PX),), file, input_names=["picture"],
        output_names=["maps"], opset_version=13, dynamo=False,
    )  # fmt: skip
    return file.getvalue()
