"""A posable person: MakeHuman base mesh, skeleton, two-bone arms and legs, linear blend skinning.

Axes: metres, x = athlete's left, y = up, z = athlete's forward; floor at y = 0, the feet's soles
14 mm above it (shoes). No bone has a roll: every rest rotation is the identity, and a pose is one
world rotation and one head position for each bone,

    p_b = p_parent + R_parent (h_b - h_parent),   v' = sum_b w_b (R_b (v - h_b) + p_b)

with h_b the rest head of bone b.

A posture is a dict of floats `q` (angles in radians, lengths in metres):

    pitch, flex         trunk lean forward, and the part of it shared out along the spine
    look                head lifted (+) against the trunk; look_yaw turned to the left (optional)
    hip_y, hip_z        centre between the hip joints; hip_x (optional, 0)
    roll, twist         trunk lean to the left, shoulders turned to the left (optional, 0)
    shrug, prot         shoulder blades raised; drawn forward (optional, 0)
    grip, bar_y, bar_z  what the hands hold: half the grip width, and the bar's axis
    hand                0 fingers down, pi/2 fingers back with the palm up, pi fingers up
    el_x, el_y, el_z    direction in which the elbows point (x outwards)
    stance, toeout      half the distance of the heels, feet turned out; stance_z forward (opt., 0)
    heel                heels raised about the ball of the foot; lift foot off the floor (opt., 0)
    knee_x              how far the knees are pushed outwards
    curl                1 fingers closed, 0 open
    free                0 the hand grips at its target, 1 the wrist goes to the target and the hand
                        lies in line with the forearm (optional, 0)
    root_x, root_z, root_yaw   placement of the whole figure on the floor (optional, 0)

Every key from `hand` on, and `shrug`, may be given for one side alone by a suffix `_l` or `_r`
(`stance_z_l`, `heel_r`, `free_l`, `el_x_r` ...), which wins over the plain key; with a suffix,
`stance` and `el_x` stay measured outwards. `hand_x_l`, `hand_y_l`, `hand_z_l` (and `_r`) place one
hand anywhere (x towards the athlete's left for both). The bar that is drawn has keys of its own
(`Bar_y`, `Bar_z`), which this module does not read: the hands may leave it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

Array = NDArray[np.float64]
Posture = Mapping[str, float]

ASSETS = Path(__file__).parent / "assets"
ASSET_STATURE_M = 1.78  # the packed meshes stand this tall, barefoot
SOLE_M = 0.014  # the same shoes at every stature
SIDES = (("l", 1.0), ("r", -1.0))
MAX_EXTENSION = 0.9995  # a fully straight limb has no defined hinge

# The joints that a pose model reports too, by its names, and the bone whose head each one is.
JOINTS = {
    f"{word}_{joint}": f"{bone}_{letter}"
    for word, letter in (("left", "l"), ("right", "r"))
    for joint, bone in (
        ("shoulder", "upperarm"),
        ("elbow", "lowerarm"),
        ("wrist", "hand"),
        ("index", "index_01"),
        ("pinky", "pinky_01"),
        ("hip", "thigh"),
        ("knee", "calf"),
        ("ankle", "foot"),
        ("foot_index", "ball"),
    )
}

PART_BODY, PART_CLOTHES, PART_EYES = 0, 1, 2


def rot_x(a: float) -> Array:
    c, s = np.cos(a), np.sin(a)
    return np.array([[1, 0, 0], [0, c, -s], [0, s, c]])


def rot_y(a: float) -> Array:
    c, s = np.cos(a), np.sin(a)
    return np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]])


def rot_z(a: float) -> Array:
    c, s = np.cos(a), np.sin(a)
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])


def cross(a: Array, b: Array) -> Array:
    """Cross product of two 3-vectors; numpy's own is twenty times slower on single vectors."""
    return np.array(
        [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
    )


def unit(v: Array) -> Array:
    return v / np.sqrt(v @ v)


def axis_angle(axis: Array, a: float) -> Array:
    x, y, z = axis = unit(axis)
    k = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.cos(a) * np.eye(3) + np.sin(a) * k + (1 - np.cos(a)) * np.outer(axis, axis)


def frame(d: Array, a: Array) -> Array:
    """Orthonormal frame, columns d, a made orthogonal to d, d x a."""
    d = unit(d)
    a = unit(a - d * (a @ d))
    return np.stack([d, a, cross(d, a)], 1)


def partial_rotation(r0: Array, r1: Array, fraction: float) -> Array:
    """The rotation a fraction of the way from r0 to r1, along the shortest arc."""
    step = Rotation.from_matrix(r1 @ r0.T).as_rotvec()
    return Rotation.from_rotvec(step * fraction).as_matrix() @ r0


def bend_limb(a: Array, b: Array, l1: float, l2: float, pole: Array) -> tuple[Array, Array, float]:
    """Two-bone reach from a to b, bending towards the pole.

    Returns the middle joint, the reached end (short of b if b is out of reach), and the asked
    distance as a fraction of the limb's length.
    """
    d = b - a
    asked = float(np.sqrt(d @ d))
    u = d / asked
    reach = min(asked, (l1 + l2) * MAX_EXTENSION)
    along = (l1 * l1 - l2 * l2 + reach * reach) / (2 * reach)
    off = np.sqrt(max(l1 * l1 - along * along, 0.0))
    side = unit(pole - u * (pole @ u))
    return a + u * along + side * off, a + u * reach, asked / (l1 + l2)


@dataclass(frozen=True)
class Skeleton:
    """One posed skeleton: rotation (bones, 3, 3), head position (bones, 3), extension by limb.

    `extension` maps `arm_l`, `arm_r`, `leg_l`, `leg_r` to the asked reach as a fraction of the
    limb's length; above 1 the limb could not get there.
    """

    rotation: Array
    position: Array
    extension: dict[str, float]


class Human:
    """The mesh and skeleton of one person at rest; `pose` bends it, `skin` moves its vertices.

    Attributes: `vertices` (n, 3), `quads` (m, 4), `uv` (k, 2), `uv_quads` (m, 4), `part` (m,)
    one of PART_BODY, PART_CLOTHES, PART_EYES, `weights` sparse (n, bones), `bones` names,
    `heads` (bones, 3), `lips` uint8 mask, `stature_m`.
    """

    def __init__(
        self,
        vertices: Array,
        quads: NDArray[np.int64],
        uv: Array,
        uv_quads: NDArray[np.int64],
        part: NDArray[np.uint8],
        weights: sp.csr_matrix,
        bones: list[str],
        parents: list[int],
        heads: Array,
        tails: Array,
        lips_png: NDArray[np.uint8],
        stature_m: float,
    ) -> None:
        self.vertices, self.quads, self.uv, self.uv_quads = vertices, quads, uv, uv_quads
        self.part, self.weights, self.lips_png = part, weights, lips_png
        self.bones, self.parents, self.heads, self.tails = bones, parents, heads, tails
        self.stature_m = stature_m
        self.index = {bone: i for i, bone in enumerate(bones)}
        self._measure()

    @classmethod
    def from_npz(
        cls, path: str | Path, stature_m: float = ASSET_STATURE_M, girth: float = 1.0
    ) -> Human:
        """Load a packed asset (see assets/README.md), scaled to a stature and a girth (1 = as is).

        Raises FileNotFoundError if the asset is missing.
        """
        with np.load(path) as z:
            k = stature_m / ASSET_STATURE_M
            size = np.array([k * girth, k, k * girth])

            def scaled(points: Array) -> Array:
                p = points.astype(float)
                p[:, 1] -= SOLE_M
                p *= size
                p[:, 1] += SOLE_M
                return p

            bones = [str(b) for b in z["names"]]
            vertices = scaled(z["V"])
            w = sp.csr_matrix(
                (z["Wd"].astype(float), (z["Wr"], z["Wc"])), shape=(len(vertices), len(bones))
            )
            return cls(
                vertices=vertices,
                quads=z["F"].astype(np.int64),
                uv=z["vt"].astype(float),
                uv_quads=z["FT"].astype(np.int64),
                part=z["part"],
                weights=(sp.diags(1 / np.asarray(w.sum(1)).ravel()) @ w).tocsr(),
                bones=bones,
                parents=[int(p) for p in z["par"]],
                heads=scaled(z["head"]),
                tails=scaled(z["tail"]),
                lips_png=z["lips"],
                stature_m=stature_m,
            )

    def head_of(self, bone: str) -> Array:
        """Rest position of a bone's head, metres."""
        return self.heads[self.index[bone]]

    def _measure(self) -> None:
        """Lengths, rest frames and grip points that posing needs, from the rest skeleton."""
        h = self.head_of

        def length(a: str, b: str) -> float:
            return float(np.linalg.norm(h(a) - h(b)))

        self.upper_arm_m = length("upperarm_l", "lowerarm_l")
        self.forearm_m = length("lowerarm_l", "hand_l")
        self.thigh_m = length("thigh_l", "calf_l")
        self.shank_m = length("calf_l", "foot_l")
        self.arm_m = self.upper_arm_m + self.forearm_m
        sideways = np.array([1.0, 0, 0])
        self._rest: dict[str, dict[str, Array]] = {}
        self._grip: dict[str, Array] = {}  # from the wrist to the bar's axis in a closed hand
        self._curl_sign: dict[str, float] = {}
        for s, _ in SIDES:
            upper = h(f"lowerarm_{s}") - h(f"upperarm_{s}")
            fore = h(f"hand_{s}") - h(f"lowerarm_{s}")
            hinge = unit(cross(upper, fore))  # the rest arm is slightly bent
            knuckles = h(f"index_01_{s}") - h(f"pinky_01_{s}")
            hand = frame(h(f"middle_01_{s}") - h(f"hand_{s}"), knuckles)
            # the fingers' own bend at rest tells on which side of the hand the palm is
            fingertip = self.tails[self.index[f"middle_03_{s}"]] - h(f"middle_01_{s}")
            palm_side = float(np.sign(fingertip @ hand[:, 2])) or 1.0
            palm = hand[:, 2] * palm_side
            to_knuckles = length(f"middle_01_{s}", f"hand_{s}")
            self._grip[s] = hand[:, 0] * (to_knuckles - 0.020) + palm * 0.028
            self._curl_sign[s] = -palm_side
            self._rest[s] = {
                "upper": frame(upper, hinge),
                "fore": frame(fore, hinge),
                "thigh": frame(h(f"calf_{s}") - h(f"thigh_{s}"), sideways),
                "shank": frame(h(f"foot_{s}") - h(f"calf_{s}"), sideways),
                "hand": hand,
                "grip": np.stack([hand[:, 0], palm, cross(hand[:, 0], palm)], 1),
            }

    # ------------------------------------------------------------------ posing

    def spine(self, q: Posture) -> tuple[list[Array], Array]:
        """Rotations and positions of trunk, head, clavicles and the limbs' first joints.

        Other bones stand as at rest. Returns a list of (3, 3) and an array (bones, 3).
        """
        rot: list[Array] = [np.eye(3)] * len(self.bones)
        pos = self.heads.copy()
        pitch, flex = q["pitch"], q["flex"]
        lean = rot_z(-q.get("roll", 0.0))
        twist = q.get("twist", 0.0)

        def trunk(angle: float, turn: float = 0.0) -> Array:
            return lean @ rot_x(angle) @ rot_y(turn)

        # the pelvis takes most of the lean: a flat back hinges at the hip
        pelvis = trunk(0.92 * pitch)
        hips = (self.head_of("thigh_l") + self.head_of("thigh_r")) / 2
        hip_centre = np.array([q.get("hip_x", 0.0), q["hip_y"], q["hip_z"]])
        self._set(rot, pos, "pelvis", pelvis, hip_centre - pelvis @ (hips - self.head_of("pelvis")))
        for k, bone in enumerate(("spine_01", "spine_02", "spine_03"), 1):
            self._set(rot, pos, bone, trunk(pitch + flex * k / 3, twist * k / 3))
        chest = trunk(pitch + flex, twist)
        look, turn = q["look"], twist + q.get("look_yaw", 0.0)
        self._set(
            rot, pos, "neck_01", lean @ rot_y(turn * 0.5) @ rot_x((pitch + flex) * 0.6 - look * 0.5)
        )
        self._set(rot, pos, "head", lean @ rot_y(turn) @ rot_x((pitch + flex) * 0.25 - look))
        for s, sign in SIDES:
            shrug = rot_z(sign * side_value(q, "shrug", s))
            forward = rot_y(-sign * side_value(q, "prot", s, 0.0))
            self._set(rot, pos, f"clavicle_{s}", chest @ shrug @ forward)
            self._set(rot, pos, f"upperarm_{s}", chest)
            self._set(rot, pos, f"thigh_{s}", pelvis)
        return rot, pos

    def pose(self, q: Posture) -> Skeleton:
        """The skeleton in posture q."""
        rot, pos = self.spine(q)
        extension: dict[str, float] = {}
        for s, sign in SIDES:
            extension[f"arm_{s}"] = self._pose_arm(q, s, sign, rot, pos)
            extension[f"leg_{s}"] = self._pose_leg(q, s, sign, rot, pos)
        rotation, position = np.array(rot), pos
        yaw, x, z = q.get("root_yaw", 0.0), q.get("root_x", 0.0), q.get("root_z", 0.0)
        if yaw or x or z:
            turn = rot_y(yaw)
            rotation = turn @ rotation
            position = position @ turn.T + np.array([x, 0.0, z])
        return Skeleton(rotation, position, extension)

    def arm_reach(self, q: Posture) -> float:
        """Distance from shoulder to wrist target as a fraction of the arm, mean of both sides."""
        _, pos = self.spine(q)
        asked = [
            np.linalg.norm(self.wrist_target(q, s) - pos[self.index[f"upperarm_{s}"]])
            for s, _ in SIDES
        ]
        return float(np.mean(asked)) / self.arm_m

    def wrist_target(self, q: Posture, s: str) -> Array:
        """Where the wrist of side s ("l" or "r") has to be, before placement on the floor."""
        sign = 1.0 if s == "l" else -1.0
        target = np.array(
            [
                q.get(f"hand_x_{s}", sign * q["grip"]),
                q.get(f"hand_y_{s}", q["bar_y"]),
                q.get(f"hand_z_{s}", q["bar_z"]),
            ]
        )
        hold = 1.0 - side_value(q, "free", s, 0.0)
        return target - hold * (self._gripping_hand(q, s) @ self._grip[s])

    def _gripping_hand(self, q: Posture, s: str) -> Array:
        a = side_value(q, "hand", s)
        fingers = np.array([0, -np.cos(a), -np.sin(a)])
        palm = np.array([0, np.sin(a), -np.cos(a)])
        return np.stack([fingers, palm, cross(fingers, palm)], 1) @ self._rest[s]["grip"].T

    def _set(
        self, rot: list[Array], pos: Array, bone: str, r: Array, at: Array | None = None
    ) -> None:
        i = self.index[bone]
        j = self.parents[i]
        rot[i] = r
        pos[i] = pos[j] + rot[j] @ (self.heads[i] - self.heads[j]) if at is None else at

    def _pose_arm(self, q: Posture, s: str, sign: float, rot: list[Array], pos: Array) -> float:
        rest = self._rest[s]
        shoulder = pos[self.index[f"upperarm_{s}"]].copy()
        pole = np.array(
            [sign * side_value(q, "el_x", s), side_value(q, "el_y", s), side_value(q, "el_z", s)]
        )
        elbow, wrist, asked = bend_limb(
            shoulder, self.wrist_target(q, s), self.upper_arm_m, self.forearm_m, pole
        )
        # A near-straight arm has no reliable hinge of its own: take the pole's, fading over.
        reach = unit(wrist - shoulder)
        by_pole = unit(cross(unit(elbow - shoulder), reach * (pole @ reach) - pole))
        own = cross(elbow - shoulder, wrist - elbow)
        bent = float(np.linalg.norm(own))
        fraction = min(1.0, bent / (self.upper_arm_m * self.forearm_m) / 0.15)
        hinge = unit(own / max(bent, 1e-9) * fraction + by_pole * (1 - fraction))
        fore = frame(wrist - elbow, hinge) @ rest["fore"].T
        free = side_value(q, "free", s, 0.0)
        hand = self._gripping_hand(q, s)
        if free > 0:
            hand = partial_rotation(hand, fore, free)
        self._set(
            rot, pos, f"upperarm_{s}", frame(elbow - shoulder, hinge) @ rest["upper"].T, shoulder
        )
        self._set(
            rot,
            pos,
            f"lowerarm_{s}",
            share_twist(fore, hand, unit(wrist - elbow), rest["hand"][:, 1]),
            elbow,
        )
        self._set(rot, pos, f"hand_{s}", hand, wrist)
        curl = side_value(q, "curl", s, 1.0) * self._curl_sign[s]
        for finger, angles in FINGERS:
            bend = 0.0
            for k, angle in enumerate(angles, 1):
                bend += angle * curl
                self._set(
                    rot, pos, f"{finger}_0{k}_{s}", hand @ axis_angle(rest["hand"][:, 1], bend)
                )
        return asked

    def _pose_leg(self, q: Posture, s: str, sign: float, rot: list[Array], pos: Array) -> float:
        rest = self._rest[s]
        turn = rot_y(sign * side_value(q, "toeout", s, 0.25))
        foot = turn @ rot_x(side_value(q, "heel", s))
        rest_ankle = self.head_of(f"foot_{s}")
        flat_ankle = np.array(
            [
                sign * side_value(q, "stance", s),
                rest_ankle[1] + side_value(q, "lift", s, 0.0),
                side_value(q, "stance_z", s, 0.0),
            ]
        )
        ankle_to_ball = self.head_of(f"ball_{s}") - rest_ankle
        ball = flat_ankle + turn @ ankle_to_ball  # the heel rises about the ball of the foot
        hip = pos[self.index[f"thigh_{s}"]].copy()
        pole = np.array([sign * side_value(q, "knee_x", s, 0.35), 0.05, 1.0])
        knee, ankle, asked = bend_limb(
            hip, ball - foot @ ankle_to_ball, self.thigh_m, self.shank_m, pole
        )
        hinge = unit(cross(pole, ankle - hip))
        hinge = hinge if hinge[0] > 0 else -hinge
        self._set(rot, pos, f"thigh_{s}", frame(knee - hip, hinge) @ rest["thigh"].T, hip)
        self._set(rot, pos, f"calf_{s}", frame(ankle - knee, hinge) @ rest["shank"].T, knee)
        self._set(rot, pos, f"foot_{s}", foot, ankle)
        self._set(rot, pos, f"ball_{s}", turn)
        return asked

    # ------------------------------------------------------------------ skinning

    def bone_matrices(self, skeleton: Skeleton) -> Array:
        """(bones, 3, 4): what takes a rest vertex to its posed place, bone by bone."""
        shift = skeleton.position - np.einsum("bij,bj->bi", skeleton.rotation, self.heads)
        return np.concatenate([skeleton.rotation, shift[:, :, None]], 2)

    def skin(self, skeleton: Skeleton) -> Array:
        """Posed vertices (n, 3), metres."""
        m = (self.weights @ self.bone_matrices(skeleton).reshape(-1, 12)).reshape(-1, 3, 4)
        return np.einsum("nij,nj->ni", m[:, :, :3], self.vertices) + m[:, :, 3]

    def joints(self, skeleton: Skeleton) -> Array:
        """(len(JOINTS), 3): the joints that a pose model reports too, in the order of JOINTS."""
        return skeleton.position[[self.index[b] for b in JOINTS.values()]]


# bend of each finger joint in a closed hand
FINGERS = [
    *((f, np.radians((68, 82, 48))) for f in ("index", "middle", "ring", "pinky")),
    ("thumb", np.radians((10, 25, 35))),
]


def side_value(q: Posture, key: str, s: str, default: float | None = None) -> float:
    """q's value of a key for one side: `key_l` or `key_r` if given, else the plain key."""
    own = q.get(f"{key}_{s}")
    if own is not None:
        return own
    return q[key] if default is None else q.get(key, default)


def share_twist(fore: Array, hand: Array, axis: Array, knuckles: Array) -> Array:
    """Turn the forearm about its axis by half of the hand's twist, so that no skin wrings."""
    of_hand, of_fore = hand @ knuckles, fore @ knuckles
    of_hand, of_fore = of_hand - axis * (of_hand @ axis), of_fore - axis * (of_fore @ axis)
    if min(np.linalg.norm(of_hand), np.linalg.norm(of_fore)) < 0.2:
        return fore
    of_hand, of_fore = unit(of_hand), unit(of_fore)
    twist = float(np.arctan2(cross(of_fore, of_hand) @ axis, of_fore @ of_hand))
    return axis_angle(axis, twist / 2) @ fore
