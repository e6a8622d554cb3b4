"""Trains the reader of the shell's edge and writes it as ONNX.

    pip install ".[training]"
    make() { python -m extract.scene --size 2016x1512 --out scenes "$@"; }
    make --preset typical --seed 27100 --count 60; make --preset typical --seed 28100 --count 50
    make --preset hard --seed 27300 --count 40; make --preset hard --seed 28300 --count 40
    make --preset two-colour --seed 27400 --count 8; make --preset multi-card --seed 27900 --count 5
    make --preset curled --seed 27500 --count 12; make --preset curled --seed 28500 --count 10
    make --preset easy --seed 27600 --count 10
    make --preset hard --table grey --seed 27700 --count 14; make --preset hard --table grey --seed 28700 --count 20
    make --preset typical --table grey --seed 27800 --count 14
    make --preset typical --table grey --seed 28800 --count 20
    PYTHONPATH=. python training/edge_net.py scenes --minutes 80 --out extract/ink/edge_net.onnx

The network is a small U-shaped one over five scales, 1 to 16 mm. It reads the flat view at 0.5 mm per pixel, four
pixels of a 2 x 2 block at a time, and says for each how far it looks like shell (a logit). The
file holds convolutions, ReLU, pooling and nearest upsampling only.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import edge_samples
import numpy as np
import onnx
import torch
from onnx import TensorProto, helper, numpy_helper
from torch import Tensor, nn
from torch.utils.data import DataLoader, IterableDataset

from extract.ink.silhouette_net import GREY, SPREAD

FASTEST = 1.5e-3

TOLD = 8
"""Channels of a pixel: colour, and how it resembles the table."""

SIDE = 256
"""A patch: 128 mm."""

WINDOW, PATCHES, WAITING = 384, 3, 120
"""Laying a table costs more than a step of training, so each window of a scene gives several patches; they wait until
those of other windows have come between them."""

WIDTHS = (16, 24, 32, 40, 48)


class Step(nn.Module):
    """Convolution over 3 x 3 pixels and ReLU; the weights of each output are kept at zero mean and unit variance times
    a gain, which steadies the training as a batch norm does and looks at no batch (weight standardisation)."""

    def __init__(self, taken: int, given: int) -> None:
        super().__init__()
        self.conv = nn.Conv2d(taken, given, 3, padding=1)
        self.gain = nn.Parameter(torch.ones(given))

    def weight(self) -> Tensor:
        raw = self.conv.weight
        spread, mean = torch.var_mean(raw, dim=(1, 2, 3), keepdim=True)
        count = raw[0].numel()
        # ReLU halves the power: 2 / count keeps it, He et al. 2015
        return (raw - mean) * torch.rsqrt(spread * count / 2 + 1e-4) * self.gain[:, None, None, None]

    def forward(self, x: Tensor) -> Tensor:
        return torch.relu(nn.functional.conv2d(x, self.weight(), self.conv.bias, padding=1))

    def folded(self) -> tuple[np.ndarray, np.ndarray]:
        return self.weight().detach().numpy(), self.conv.bias.detach().numpy()

    @torch.no_grad()
    def unfold(self, weight: Tensor, bias: Tensor) -> None:
        """Take weights as ``folded`` gives them; where they are fewer, inputs they do not know are ignored at first,
        and outputs they do not give start as they are."""
        gain = (torch.var(weight, dim=(1, 2, 3)) * weight[0].numel() / 2).sqrt()
        given, taken = weight.shape[:2]
        self.conv.weight[:given] = 0
        self.conv.weight[:given, :taken] = weight / gain[:, None, None, None]
        self.gain[:given] = gain
        self.conv.bias[:given] = bias


class EdgeNet(nn.Module):
    """(N, 4 x told, H, W) blocks of 2 x 2 pixels, ``told`` channels each, to (N, 4, H, W) logits of the same pixels;
    the first layer makes ``first`` channels of them."""

    def __init__(self, told: int, first: int = WIDTHS[0]) -> None:
        super().__init__()
        self.channels, self.parts, self.pools = (4 * told, 4), 4, 4 * [(2, 2)]
        a, b, c, d, e = WIDTHS
        self.down = nn.ModuleList(
            [
                nn.Sequential(Step(4 * told, first)),
                nn.Sequential(Step(first, b), Step(b, b)),
                nn.Sequential(Step(b, c), Step(c, c)),
                nn.Sequential(Step(c, d), Step(d, d)),
                nn.Sequential(Step(d, e), Step(e, e)),
            ]
        )
        self.up = nn.ModuleList(
            [
                nn.Sequential(Step(e + d, d)),
                nn.Sequential(Step(d + c, c)),
                nn.Sequential(Step(c + b, b)),
                nn.Sequential(Step(b + first, a), Step(a, a)),
            ]
        )
        self.last = nn.Conv2d(a, 4, 3, padding=1)
        self.early = nn.ModuleList(nn.Conv2d(width, 1, 1) for width in (e, d, c, b))

    def forward(self, x: Tensor) -> list[Tensor]:
        """The logits, after those of the coarser scales, which only help it learn."""
        kept, said = [], []
        for level, steps in enumerate(self.down):
            x = steps(nn.functional.max_pool2d(x, 2) if level else x)
            kept.append(x)
        for level, steps in enumerate(self.up):
            said.append(self.early[level](x))
            x = nn.functional.interpolate(x, scale_factor=2, mode="nearest")
            x = steps(torch.cat([x, kept[-2 - level]], dim=1))
        return [*said, self.last(x)]


class Narrowing(nn.Module):
    """(N, told, rows, columns) strips to (N, 1, rows', columns') logits: a step of ``widths[0]`` channels and, where
    ``begun`` is two, another, then two of each further width, each time after taking the greatest of ``pools``."""

    def __init__(self, told: int, widths: tuple[int, ...], pools: tuple[tuple[int, int], ...], begun: int = 2) -> None:
        super().__init__()
        self.channels, self.parts, self.pools = (told, 1), 1, pools
        pairs = zip((told, *widths[:-1]), widths, strict=True)
        self.down = nn.ModuleList(nn.Sequential(Step(one, two), Step(two, two)) for one, two in pairs)
        self.down[0] = self.down[0][:begun]
        self.up = nn.ModuleList()
        self.last = nn.Conv2d(widths[-1], 1, 3, padding=1)

    def forward(self, x: Tensor) -> Tensor:
        for level, steps in enumerate(self.down):
            x = steps(nn.functional.max_pool2d(x, self.pools[level - 1]) if level else x)
        return self.last(x)


class Patches(IterableDataset):
    """Endless patches of the scenes; half of them lie on an invented table."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.folder, self.seed = folder, seed

    def __iter__(self) -> Iterator[tuple[np.ndarray, np.ndarray, np.ndarray]]:
        worker = torch.utils.data.get_worker_info()
        cv2.setNumThreads(1)
        rng = np.random.default_rng([self.seed, worker.id if worker else 0])
        scenes = read_scenes(self.folder)
        waiting: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []
        while True:
            sample = edge_samples.window(scenes[rng.integers(len(scenes))], WINDOW, rng)
            if rng.random() < 0.5:
                sample = edge_samples.on_invented_table(sample, rng)
            for _ in range(PATCHES):
                seen, shell = edge_samples.patch(sample, SIDE, rng)
                waiting.append((blocks(as_input(seen)), blocks(shell[..., None]), blocks(importance(shell)[..., None])))
            while len(waiting) > WAITING:
                yield waiting.pop(rng.integers(len(waiting)))


def as_input(seen: np.ndarray) -> np.ndarray:
    """Centred as the reader does: colours about a tape's grey."""
    centred = seen.copy()
    centred[..., :3] = (seen[..., :3] - GREY) / SPREAD
    return centred


def blocks(image: np.ndarray) -> np.ndarray:
    """(2H, 2W, C) to (4C, H, W): pixel (row, column) of a block goes to channels (2 row + column) C onwards."""
    return np.concatenate([image[i::2, j::2] for i in (0, 1) for j in (0, 1)], axis=-1).transpose(2, 0, 1).copy()


def importance(shell: np.ndarray) -> np.ndarray:
    """Weight of each pixel: an edge, and a narrow cut most of all, counts for more than the wide plain."""
    hard = (shell > 0.5).astype(np.uint8)
    near_edge = cv2.morphologyEx(hard, cv2.MORPH_GRADIENT, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (13, 13)))
    narrow = cv2.dilate(edge_samples.narrow_gaps(hard), np.ones((3, 3), np.uint8))
    return (1 + 2 * near_edge + 4 * narrow).astype(np.float32)


Losses = Callable[..., tuple[Tensor, Tensor]]
"""What a network said and what it should have, to what is made less and what is told."""


def losses(said: list[Tensor], shell: Tensor, weight: Tensor) -> tuple[Tensor, Tensor]:
    """Cross entropy of all scales together, and of the finest alone."""
    entropy = nn.functional.binary_cross_entropy_with_logits
    full = entropy(said[-1], shell, weight=weight)
    share = shell.mean(1, keepdim=True)
    coarse = [entropy(one, nn.functional.adaptive_avg_pool2d(share, one.shape[-2:])) for one in said[:-1]]
    return full + 0.3 * sum(coarse), full


def train(net: nn.Module, dataset: IterableDataset, told: argparse.Namespace, losses: Losses) -> None:
    # a forked worker would wait for ever on OpenCV's threads
    loader = DataLoader(dataset, told.batch, num_workers=1, prefetch_factor=12, multiprocessing_context="spawn")
    patches = iter(loader)
    optimiser = torch.optim.AdamW(net.parameters(), lr=told.fastest, weight_decay=1e-4)
    begun, seen, step, done = time.time(), [], 0, 0.0
    while done < 1:
        done = (time.time() - begun) / (60 * told.minutes)
        for group in optimiser.param_groups:
            group["lr"] = told.fastest * rate(min(done, 1.0))
        step += 1
        value, *right = next(patches)
        loss, full = losses(net(value.contiguous(memory_format=torch.channels_last)), *right)
        optimiser.zero_grad()
        loss.backward()
        nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimiser.step()
        seen.append(full.item())
        if step % 100 == 0:
            print(f"step {step}: loss {np.mean(seen[-100:]):.4f}, {time.time() - begun:.0f} s", flush=True)
        if step % 500 == 0:
            net.eval()
            write_onnx(net, told.out)
            net.train()


def rate(done: float) -> float:
    """Share of the fastest learning rate when ``done`` of the time is over: up at first, then down a half cosine."""
    return min(done / 0.03, 0.5 + 0.5 * math.cos(math.pi * done), 1.0)


def write_onnx(net: nn.Module, file: Path) -> None:
    """A trained U-shaped network as a file of plain operations."""
    nodes: list[onnx.NodeProto] = []
    weights: list[onnx.TensorProto] = []

    def conv(weight: np.ndarray, bias: np.ndarray, taken: str, name: str, relu: bool = True) -> str:
        weights.extend(
            numpy_helper.from_array(part.astype(np.float32), f"{name}_{kind}")
            for kind, part in (("w", weight), ("b", bias))
        )
        nodes.append(helper.make_node("Conv", [taken, f"{name}_w", f"{name}_b"], [name], pads=[1, 1, 1, 1]))
        if not relu:
            return name
        nodes.append(helper.make_node("Relu", [name], [f"{name}_r"]))
        return f"{name}_r"

    at, kept = "blocks", []
    for level, steps in enumerate(net.down):
        if level:
            nodes.append(helper.make_node("MaxPool", [at], [f"pool{level}"], kernel_shape=net.pools[level - 1],
                                          strides=net.pools[level - 1]))  # fmt: skip
            at = f"pool{level}"
        for number, step in enumerate(steps):
            weight, bias = step.folded()
            at = conv(weight, bias, at, f"down{level}_{number}")
        kept.append(at)
    for level, steps in enumerate(net.up):
        weights.append(numpy_helper.from_array(np.array([1, 1, *net.pools[-1 - level]], np.float32), f"times{level}"))
        nodes.append(helper.make_node("Resize", [at, "", f"times{level}"], [f"big{level}"], mode="nearest",
                                      coordinate_transformation_mode="asymmetric", nearest_mode="floor"))  # fmt: skip
        nodes.append(helper.make_node("Concat", [f"big{level}", kept[-2 - level]], [f"both{level}"], axis=1))
        at = f"both{level}"
        for number, step in enumerate(steps):
            weight, bias = step.folded()
            at = conv(weight, bias, at, f"up{level}_{number}")
    conv(net.last.weight.detach().numpy(), net.last.bias.detach().numpy(), at, "logits", relu=False)
    ends = [
        helper.make_tensor_value_info(name, TensorProto.FLOAT, [1, channels, "rows", "columns"])
        for name, channels in zip(("blocks", "logits"), net.channels, strict=True)
    ]
    graph = helper.make_graph(nodes, "edge", ends[:1], ends[1:], weights)
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 13)], ir_version=8)
    onnx.checker.check_model(model)
    file.write_bytes(model.SerializeToString())


def take_onnx(net: nn.Module, file: Path) -> None:
    """Weights as ``write_onnx`` left them; the heads of the coarser scales are not in the file and start anew."""
    kept = {
        part.name: torch.from_numpy(numpy_helper.to_array(part).copy()) for part in onnx.load(file).graph.initializer
    }
    first = kept["down0_0_w"]
    kept["down0_0_w"] = nn.functional.pad(
        first.unflatten(1, (net.parts, -1)), (0, 0, 0, 0, 0, (net.channels[0] - first.shape[1]) // net.parts)
    ).flatten(1, 2)  # what the file's network was not told, it starts by ignoring
    for kind, levels in (("down", net.down), ("up", net.up)):
        for level, steps in enumerate(levels):
            for number, step in enumerate(steps):
                name = f"{kind}{level}_{number}"
                step.unfold(kept[f"{name}_w"], kept[f"{name}_b"])
    with torch.no_grad():
        net.last.weight.copy_(kept["logits_w"])
        net.last.bias.copy_(kept["logits_b"])


def read_scenes(folder: Path) -> list[edge_samples.Scene]:
    """All scenes of a folder from above, kept beside them for the next time."""
    scenes = []
    for photo in sorted(folder.glob("*.jpg")):
        kept = photo.with_suffix(".npz")
        if not kept.exists():
            np.savez(kept, **vars(edge_samples.read_scene(photo)))
        with np.load(kept) as stored:
            scenes.append(edge_samples.Scene(**stored))
    return scenes


def asked(description: str | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=description, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("scenes", type=Path)
    parser.add_argument("--minutes", type=float, default=80)
    parser.add_argument("--batch", type=int, default=8)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--fastest", type=float, default=FASTEST, help="learning rate; less where a run goes on")
    parser.add_argument("--from", dest="start", type=Path, help="network (.onnx) to go on from")
    parser.add_argument("--keep", type=float, default=0.0, help="share of that network's weights in those written")
    parser.add_argument("--out", type=Path, required=True)
    told = parser.parse_args()
    if told.keep and not told.start:
        parser.error("--keep says how much of the network that --from names is kept; name it")
    return told


def run(
    told: argparse.Namespace, make: Callable[[], nn.Module], dataset: IterableDataset, losses: Losses = losses
) -> None:
    """Train the network that ``make`` gives as ``asked``, and write it."""
    torch.manual_seed(told.seed)
    net = make().to(memory_format=torch.channels_last)
    if told.start:
        take_onnx(net, told.start)
    torch.set_num_threads(1)
    train(net, dataset, told, losses)
    net.eval()
    write_onnx(net, told.out)
    if told.keep:
        blend(told.start, told.out, told.keep)


def blend(start: Path, out: Path, keep: float) -> None:
    """Mix so much of a network into one that went on from it: that reads what only the earlier scenes showed more truly
    than either does (Wortsman et al. 2022)."""
    before = {part.name: numpy_helper.to_array(part) for part in onnx.load(start).graph.initializer}
    model = onnx.load(out)
    for part in model.graph.initializer:
        mixed = keep * before[part.name] + (1 - keep) * numpy_helper.to_array(part)
        part.CopyFrom(numpy_helper.from_array(mixed.astype(np.float32), part.name))
    onnx.save(model, out)


def main() -> None:
    told = asked(__doc__)
    run(told, lambda: EdgeNet(TOLD), Patches(told.scenes, told.seed))


if __name__ == "__main__":
    main()
