"""Build `pose_full.task` and `pose_lite.task`, byte for byte the same on every run.

A `.task` bundle is an uncompressed ZIP archive of a person detector and a landmark model. Both
come from published packages under the Apache License 2.0 (see README.md beside this file); nothing
is trained here. The landmark models lack the metadata that the Tasks interface asks for (how to
normalise the image, what the outputs are called), so it is added; weights are not touched. The
detector carries its own metadata and is copied as it is: a second entry makes it find nobody.

    python models/build_pose.py                          # fetches the npm package with `npm pack`
    python models/build_pose.py --npm-package FILE.tgz   # uses a copy that is already there
"""

from __future__ import annotations

import argparse
import hashlib
import io
import json
import subprocess
import tarfile
import tempfile
import zipfile
from importlib import metadata
from pathlib import Path

import flatbuffers
from mediapipe.tasks.metadata import metadata_schema_py_generated as meta
from mediapipe.tasks.metadata import schema_py_generated as tflite

HERE = Path(__file__).resolve().parent
MEDIAPIPE = "0.10.21"
NPM_PACKAGE = "@mediapipe/pose@0.5.1675469404"
DETECTOR = "mediapipe/modules/pose_detection/pose_detection.tflite"
FULL = "mediapipe/modules/pose_landmark/pose_landmark_full.tflite"
LITE = "package/pose_landmark_lite.tflite"

# SHA-256 of the inputs. The full landmark model is the same file in both packages.
INPUTS = {
    DETECTOR: "9ba9dd3d42efaaba86b4ff0122b06f29c4122e756b329d89dca1e297fd8f866c",
    FULL: "e9a5c5cb17f736fafd4c2ec1da3b3d331d6edbe8a0d32395855aeb2cdfd64b9f",
    LITE: "f17bfbecadb61c3be1baa8b8d851cc6619c870a87167b32848ad20db306b9d61",
}
# The landmark model's outputs in order: 39 points in the image, presence, segmentation mask,
# heat map, 39 points in metres.
OUTPUTS = ("ld_3d", "output_poseflag", "output_segmentation", "output_heatmap", "world_3d")


def checked(name: str, data: bytes) -> bytes:
    """`data`, once its SHA-256 is the one in INPUTS; SystemExit otherwise."""
    found = hashlib.sha256(data).hexdigest()
    if found != INPUTS[name]:
        raise SystemExit(f"{name}: SHA-256 is {found}, expected {INPUTS[name]}")
    return data


def from_wheel(name: str) -> bytes:
    """A file of the installed mediapipe package, checked."""
    package = metadata.distribution("mediapipe")
    if package.version != MEDIAPIPE:
        raise SystemExit(f"mediapipe {package.version} is installed, {MEDIAPIPE} is needed")
    return checked(name, Path(str(package.locate_file(name))).read_bytes())


def from_npm(name: str, archive: Path | None) -> bytes:
    """A file of the npm package, checked; without `archive` the package is fetched."""
    with tempfile.TemporaryDirectory() as folder:
        if archive is None:
            subprocess.run(["npm", "pack", "--silent", NPM_PACKAGE], cwd=folder, check=True)
            (archive,) = Path(folder).glob("*.tgz")
        with tarfile.open(archive) as opened:
            member = opened.extractfile(name)
            if member is None:
                raise SystemExit(f"{archive}: {name} is not a file")
            return checked(name, member.read())


def landmark_metadata() -> bytes:
    """The TFLITE_METADATA buffer: RGB image divided by 255, and the outputs' names."""
    normalisation = meta.ProcessUnitT()
    normalisation.optionsType = meta.ProcessUnitOptions.NormalizationOptions
    normalisation.options = meta.NormalizationOptionsT()
    normalisation.options.mean = [0.0]
    normalisation.options.std = [255.0]
    image = meta.TensorMetadataT()
    image.name = "image"
    image.processUnits = [normalisation]
    image.content = meta.ContentT()
    image.content.contentPropertiesType = meta.ContentProperties.ImageProperties
    image.content.contentProperties = meta.ImagePropertiesT()
    image.content.contentProperties.colorSpace = meta.ColorSpaceType.RGB
    outputs = []
    for name in OUTPUTS:
        output = meta.TensorMetadataT()
        output.name = name
        outputs.append(output)
    graph = meta.SubGraphMetadataT()
    graph.inputTensorMetadata = [image]
    graph.outputTensorMetadata = outputs
    model = meta.ModelMetadataT()
    model.name = "pose landmarks"
    model.subgraphMetadata = [graph]
    builder = flatbuffers.Builder(0)
    builder.Finish(model.Pack(builder), b"M001")
    return bytes(builder.Output())


class AlignedBuffer(tflite.BufferT):
    """A model buffer packed at a multiple of 16 bytes, as the format's schema demands
    (`force_align: 16`) and the generated Python code does not do."""

    def Pack(self, builder: flatbuffers.Builder) -> int:
        vector = None
        if self.data is not None:
            data = bytes(bytearray(self.data))
            builder.StartVector(1, len(data), 16)
            builder.head -= len(data)
            builder.Bytes[builder.head : builder.head + len(data)] = data
            vector = builder.EndVector()
        tflite.BufferStart(builder)
        if vector is not None:
            tflite.BufferAddData(builder, vector)
        return tflite.BufferEnd(builder)


def with_metadata(landmarks: bytes) -> bytes:
    """The landmark model with its metadata buffer added; weights and graph unchanged."""
    model = tflite.ModelT.InitFromObj(tflite.Model.GetRootAsModel(landmarks, 0))
    names = [entry.name for entry in model.metadata or []]
    if b"TFLITE_METADATA" in names:
        raise SystemExit("the landmark model carries metadata already")
    if len(model.subgraphs[0].outputs) != len(OUTPUTS):
        raise SystemExit("the landmark model has other outputs than expected")
    added = tflite.BufferT()
    added.data = list(landmark_metadata())
    entry = tflite.MetadataT()
    entry.name = "TFLITE_METADATA"
    entry.buffer = len(model.buffers)
    model.buffers.append(added)
    model.metadata = [*(model.metadata or []), entry]
    for buffer in model.buffers:
        buffer.__class__ = AlignedBuffer
    builder = flatbuffers.Builder(len(landmarks) + 65536)
    builder.Finish(model.Pack(builder), b"TFL3")
    return bytes(builder.Output())


def bundle(detector: bytes, landmarks: bytes) -> bytes:
    """The `.task` archive: uncompressed, fixed times, each file at a multiple of 16 bytes."""
    written = io.BytesIO()
    with zipfile.ZipFile(written, "w", zipfile.ZIP_STORED) as archive:
        for name, data in (
            ("pose_detector.tflite", detector),
            ("pose_landmarks_detector.tflite", landmarks),
        ):
            entry = zipfile.ZipInfo(name, date_time=(1980, 1, 1, 0, 0, 0))
            entry.external_attr = 0o644 << 16
            entry.create_system = 3
            # A local file header is 30 bytes and the name (ZIP specification, 4.3.7); the padding
            # is an extra field of an unknown kind: 2 bytes id, 2 bytes length, zeros.
            padding = -(written.tell() + 30 + len(name) + 4) % 16
            entry.extra = b"\xff\xff" + padding.to_bytes(2, "little") + bytes(padding)
            archive.writestr(entry, data)
    return written.getvalue()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--npm-package", type=Path, help="the npm package as a .tgz file")
    parser.add_argument("--out", type=Path, default=HERE, help="folder to write to")
    options = parser.parse_args()
    detector = from_wheel(DETECTOR)
    made = {
        "pose_full.task": bundle(detector, with_metadata(from_wheel(FULL))),
        "pose_lite.task": bundle(detector, with_metadata(from_npm(LITE, options.npm_package))),
    }
    for name, data in made.items():
        (options.out / name).write_bytes(data)
    sums = {name: hashlib.sha256(data).hexdigest() for name, data in made.items()}
    listed = options.out / "checksums.json"  # lists every model file of the folder
    known = json.loads(listed.read_text()) if listed.exists() else {}
    listed.write_text(json.dumps(dict(sorted((known | sums).items())), indent=2) + "\n")
    for name, total in sums.items():
        print(f"{total}  {name}")


if __name__ == "__main__":
    main()
