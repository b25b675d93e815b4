"""Shared and exported videos say nothing of where and with what they were filmed, and show the same
frames at the same times. FFmpeg's own programs are the outside reference."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import time
import zipfile
from fractions import Fraction
from functools import partial
from pathlib import Path

import av
import httpx
import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from repcount.attempt.edits import append_edit, make_edit
from repcount.attempt.records import Edits, Reading
from repcount.cli.main import cli
from repcount.errors import FootageError, RecordError
from repcount.library.archive import import_library
from repcount.library.checking import findings
from repcount.library.layout import OVERLAY, OVERLAY_ASKED, PLAYABLE, POSTER, result_files
from repcount.library.overlays import Overlays, drawn_from
from repcount.library.playable import COMMAND as PLAY
from repcount.library.playable import NO_ROOM, Playables, plays_everywhere
from repcount.library.rows import AttemptRow
from repcount.library.store import Conflict, Library
from repcount.pipeline.results import TRACKS, correct
from repcount.video.clean_copy import clean_unit, write_clean_copy
from tests.media import card, run, tool, write_video
from tests.web.mutated import mutated
from tests.web.serving import Server, finished, upload
from tests.web.stub_analysis import write_stub

PLACE, MAKER, MODEL = "+47.3769+008.5417+408.000/", "Hobnail", "Hobnail Nine"
# what may be said of a file and its streams, and nothing of it by the camera
NAMES = {"VideoHandler", "SoundHandler", "und", "isom", "qt  ", "512", "Lavf", "FFMP", ""}
# the unregistered user data of AVCHD cameras (place, date, make) begin with this identifier
MDPM = "17ee8c60-f84d-11d9-8cd6-0800200c9a66"


def tags_of(path: Path) -> list[str]:
    """Everything in the file that could tell: tags, other tracks, chapters, and the words in it."""
    found = json.loads(
        run(
            tool("ffprobe"), "-v", "error", "-show_format", "-show_streams", "-show_chapters",
            "-of", "json", path,
        )
    )  # fmt: skip
    said = [f"track: {one['codec_type']}" for one in found["streams"][2:]]
    said += [str(one) for one in found["chapters"]]
    for part in (found["format"], *found["streams"]):
        for name, value in part.get("tags", {}).items():
            plain = value in NAMES or re.fullmatch(r"[\d:.]+|(\[0\]){4}", value)
            if not plain and name != "compatible_brands":
                said.append(f"{name}: {value}")
    data = path.read_bytes()
    return said + [word for word in (PLACE, "8.5417", MAKER, MODEL) if word.encode() in data]


def frames(path: Path) -> list[tuple[str, ...]]:
    """Stream, time and hash of every frame and piece of sound as FFmpeg shows them, turned and
    cut as the file asks; times from the first frame."""
    text = run(
        tool("ffmpeg"), "-v", "error", "-i", path, "-map", "0:v:0", "-map", "0:a:0?", "-fps_mode",
        "passthrough", "-copyts", "-enc_time_base", "-1", "-f", "framehash", "-hash", "md5", "-",
    ).decode()  # fmt: skip
    bases = [float(n) / float(d) for n, d in re.findall(r"#tb \d: (\d+)/(\d+)", text)]
    rows = [line.split(",") for line in text.splitlines() if not line.startswith("#")]
    first = min(int(row[2]) * bases[0] for row in rows if int(row[0]) == 0)
    return [
        (row[0].strip(), f"{int(row[2]) * bases[int(row[0])] - first:.2f}", row[-1].strip())
        for row in rows
    ]


def tagged(source: Path, target: Path, *more: str) -> Path:
    """The streams as a phone would have written them, told where and with what."""
    words = {
        "com.apple.quicktime.location.ISO6709": PLACE, "com.apple.quicktime.make": MAKER,
        "com.apple.quicktime.model": MODEL, "com.apple.quicktime.software": f"{MAKER} 19",
        "location": PLACE, "make": MAKER, "model": MODEL, "title": f"{MODEL} at {PLACE}",
    }  # fmt: skip
    tags = [part for name, word in words.items() for part in ("-metadata", f"{name}={word}")]
    run(tool("ffmpeg"), "-v", "error", "-y", "-i", source, "-c", "copy", *tags, *more, target)
    return target


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two seconds of H.264 with frames in another order than shown, turned, uneven in time, with
    sound; its encoder's name between the frames."""
    path = tmp_path_factory.mktemp("plain") / "plain.mp4"
    times = [n / 30 + 0.004 * (n % 3) for n in range(60)]
    sound = np.sin(np.arange(2 * 48000) / 20).astype(np.float32) / 4
    turned = (0, 65536, 0, -65536, 0, 0, 0, 0, 1 << 30)
    return write_video(path, times, matrix=turned, sound=sound, options={"bf": "2", "g": "12"})


def phone(plain: Path, to: Path) -> Path:
    """QuickTime as a phone writes it: metadata items, their older form, and a timed metadata track
    (a time code track that FFmpeg makes, its four-letter codes changed)."""
    made = tagged(plain, to, "-movflags", "use_metadata_tags", "-timecode", "01:00:00:00")
    made.write_bytes(made.read_bytes().replace(b"tmcd", b"mebx"))
    return made


def cut(plain: Path, to: Path) -> Path:
    """Begins between two frames that can be decoded alone: an edit list cuts the rest off."""
    run(tool("ffmpeg"), "-v", "error", "-y", "-ss", "0.7", "-i", plain, "-c", "copy", to)
    return to


def late(plain: Path, to: Path) -> Path:
    """The frames begin after the sound, as an edit list says."""
    run(
        tool("ffmpeg"), "-v", "error", "-y", "-itsoffset", "0.4", "-i", plain, "-i", plain,
        "-map", "0:v", "-map", "1:a", "-c", "copy", "-metadata", f"location={PLACE}", to,
    )  # fmt: skip
    return to


def android(plain: Path, to: Path) -> Path:
    """MP4 with the boxes `loci` (3GPP TS 26.244) and, as QuickTime has it, `©xyz`."""
    return tagged(plain, to)


def camcorder(plain: Path, to: Path) -> Path:
    """AVCHD's way: user data between the frames."""
    words = f"h264_metadata=sei_user_data={MDPM}+{MAKER}{PLACE}"
    return tagged(plain, to, "-bsf:v", words)


def hevc(plain: Path, to: Path) -> Path:
    """Its encoder's name lies in the decoder's configuration too."""
    made = write_video(to.with_suffix(".mkv"), [n / 30 for n in range(30)], codec="libx265")
    data = made.read_bytes()
    assert b"x265" in data
    return tagged(made, to, "-tag:v", "hvc1")


def matroska(plain: Path, to: Path) -> Path:
    return tagged(plain, to)


def jpegs(plain: Path, to: Path) -> Path:
    """A camera's AVI: frames that are JPEGs with Exif in each."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x010E] = MAKER, MODEL, PLACE  # make, model, description
    with av.open(str(to), "w", format="avi") as out:
        stream = out.add_stream("mjpeg", rate=30)
        stream.width, stream.height, stream.pix_fmt = 160, 120, "yuvj420p"
        for index in range(30):
            still = to.with_name("still.jpg")
            Image.fromarray(card(index=index % 16)).save(still, exif=exif, subsampling=2)
            packet = av.Packet(still.read_bytes())
            packet.stream, packet.pts, packet.dts, packet.duration = stream, index, index, 1
            packet.time_base, packet.is_keyframe = Fraction(1, 30), True
            out.mux(packet)
    return to


KINDS = {
    "phone": (phone, ".mov"), "cut": (cut, ".mp4"), "late": (late, ".mov"),
    "android": (android, ".mp4"), "3gp": (android, ".3gp"), "camcorder": (camcorder, ".mts"),
    "camcorder's MP4": (camcorder, ".mp4"), "hevc": (hevc, ".mov"), "matroska": (matroska, ".mkv"),
    "jpegs": (jpegs, ".avi"),
}  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_a_copy_tells_nothing_and_shows_the_same(plain, tmp_path, kind):
    make, ending = KINDS[kind]
    film = make(plain, tmp_path / f"film{ending}")
    if kind != "cut":  # that one is about its edit list
        assert tags_of(film), "the original has nothing to tell"
    copy = tmp_path / "copy"
    write_clean_copy(film, copy)
    assert tags_of(copy) == []
    for name in (b"x264 - core", b"x265 (build", b"mebx", b"loci", b"\xa9xyz", b"Exif"):
        assert name not in copy.read_bytes()
    assert frames(copy) == frames(film)
    shown = [side_data(one) for one in (film, copy)]
    assert shown[0] == shown[1]
    assert {one.name for one in tmp_path.iterdir()} <= {
        film.name, "copy", "film.mkv", "still.jpg"
    }  # fmt: skip


def side_data(path: Path) -> list[str]:
    """How the frame is turned."""
    text = run(
        tool("ffprobe"), "-v", "error", "-select_streams", "v:0", "-show_entries",
        "stream_side_data=rotation,displaymatrix", "-of", "csv", path,
    )  # fmt: skip
    return re.findall(r"-?\d+", text.decode())


def test_user_data_goes_and_its_neighbours_stay():
    """Units made by hand after ITU-T H.264, 7.3.2.3 and annex B: one SEI unit with a recovery point
    (6), user data (5) whose bytes look like a start code, and a buffering period (0)."""
    user = b"\x05\x14" + bytes(range(16)) + b"\0\0\3\1" + b"\7"  # 20 bytes, one of them an escape
    unit = b"\x06" + b"\x06\x01\xc4" + user + b"\x00\x01\x80" + b"\x80"
    assert clean_unit(unit, False) == b"\x06" + b"\x06\x01\xc4" + b"\x00\x01\x80" + b"\x80"
    assert clean_unit(b"\x06" + user + b"\x80", False) == b""
    other = b"\x06\x06\x01\xc4\x80"
    assert clean_unit(other, False) == other
    assert clean_unit(b"\x65" + user, False) == b"\x65" + user  # a frame
    assert clean_unit(b"\x4e\x01" + user + b"\x80", True) == b""  # H.265: a prefix SEI unit


def test_damaged_videos_end_in_a_sentence_or_a_copy(plain, tmp_path):
    data = phone(plain, tmp_path / "film.mov").read_bytes()
    ended = set()
    for seed in range(40):
        film, copy = tmp_path / f"{seed}.mov", tmp_path / f"{seed}.copy"
        film.write_bytes(mutated(data, seed))
        try:
            write_clean_copy(film, copy)
        except FootageError as error:
            ended.add(str(error)[-1])
            assert not copy.exists()
            continue
        # a damaged table may point into the metadata: those bytes are then a piece of a frame
        assert [one for one in tags_of(copy) if ":" in one] == []
        ended.add("copy")
    assert ended == {"copy", "."}


def test_a_shared_link_hands_out_such_a_copy(plain, tmp_path):
    film = phone(plain, tmp_path / "film.mov")
    with Server(tmp_path / "data") as server, server.client() as client:
        attempt = upload(client, film.read_bytes(), filename="IMG 7.MOV")
        assert finished(client, attempt)["state"] == "done"
        link = client.post(f"/api/attempts/{attempt}/shares", data={"days": 1}).text
        got = tmp_path / "got.mp4"
        got.write_bytes(httpx.get(link + "IMG-7.MOV", timeout=60).content)
        assert tags_of(got) == []
        assert frames(got) == frames(film)
        part = httpx.get(link + "IMG-7.MOV", headers={"Range": "bytes=4-7"})
        assert (part.status_code, part.content) == (206, b"ftyp")
        # the owner's own page has the original
        own = client.get(f"/attempts/{attempt}/files/IMG-7.MOV")
        assert own.content == film.read_bytes()
        # the server itself has loaded nothing that reads videos
        maps = Path(f"/proc/{server.process.pid}/maps").read_text()
        assert "libavcodec" not in maps
        assert "libavformat" not in maps
        folder = server.folder / "attempts" / attempt
        assert list(folder.glob(".shared*"))
        number = re.search(r"/api/shares/(\d+)/delete", client.get(f"/attempts/{attempt}").text)
        assert number is not None
        assert client.post(f"/api/shares/{number[1]}/delete").status_code == 204
        assert not list(folder.glob(".shared*"))
        assert httpx.get(link + "IMG-7.MOV").status_code == 404


def test_where_there_can_be_no_copy_there_is_no_link(plain, tmp_path):
    data = plain.read_bytes()
    with Server(tmp_path / "data") as server, server.client() as client:
        attempt = upload(client, data[: len(data) // 3])
        finished(client, attempt)
        for _ in range(2):
            answer = client.post(f"/api/attempts/{attempt}/shares", data={"days": 1})
            assert answer.status_code == 422
            assert answer.text.endswith(".")
            assert str(server.folder) not in answer.text


def test_an_export_holds_such_copies_unless_originals_are_asked_for(plain, tmp_path):
    film = phone(plain, tmp_path / "film.mov")
    library = Library(tmp_path / "data")
    attempt = library.add_attempt(film, "film.mov")
    for options, clean in (((), True), (("--originals",), False)):
        archive = tmp_path / "all.zip"
        done = CliRunner().invoke(
            cli, ["library", "export", str(archive), "--data", str(library.folder), *options]
        )
        assert done.exit_code == 0, done.output
        assert ("without place and device" in done.output) == clean
        with zipfile.ZipFile(archive) as packed:
            got = tmp_path / "got.mp4"
            got.write_bytes(packed.read(f"{attempt}/film.mov"))
        assert (tags_of(got) == []) == clean
        assert (got.read_bytes() == film.read_bytes()) != clean
        assert frames(got) == frames(film)
        other = Library(tmp_path / f"other-{clean}")
        assert import_library(other, archive) == 1
    assert {one.name for one in library.folder_of(attempt).iterdir()} == {"film.mov"}
    library.folder_of(attempt).joinpath("film.mov").write_bytes(b"\0\0\0\x18ftypmp42" * 9)
    done = subprocess.run(
        [
            sys.executable, "-m", "repcount.cli.main", "library", "export", str(tmp_path / "b.zip"),
            "--data", str(library.folder),
        ],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert "--originals" in done.stderr
    assert attempt in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert not (tmp_path / "b.zip").exists()


# Copies that every browser can show -------------------------------------------------------------


def test_a_copy_for_browsers_is_h264_upright_with_the_same_times(tmp_path):
    """Turned by a display matrix (ISO/IEC 14496-12, 8.5.3), of irregular times, with sound."""
    times = [n / 30 + 0.01 * (n % 3) for n in range(45)]
    tone = (8000 * np.sin(np.arange(72_000) / 20)).astype(np.int16)
    turned = (0, 65536, 0, -65536, 0, 0, 0, 0, 1 << 30)
    film = write_video(tmp_path / "film.mp4", times, codec="libx265", sound=tone, matrix=turned)
    (tmp_path / "out").mkdir()
    copy, poster = tmp_path / "out" / PLAYABLE, tmp_path / "out" / POSTER
    done = subprocess.run(
        [*PLAY, str(film), str(copy), str(poster)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    found = json.loads(
        run(tool("ffprobe"), "-v", "error", "-show_streams", "-show_frames", "-of", "json", copy)
    )
    picture, sound = found["streams"]
    assert (picture["codec_name"], picture["pix_fmt"]) == ("h264", "yuv420p")
    assert (picture["width"], picture["height"]) == (120, 160)
    assert sound["codec_name"] == "aac"
    shown = [float(f["pts_time"]) for f in found["frames"] if f["media_type"] == "video"]
    assert shown == pytest.approx([one - times[0] for one in times], abs=0.0011)
    assert tags_of(copy) == []
    assert Image.open(poster).size == (120, 160)
    assert sorted(one.name for one in (tmp_path / "out").iterdir()) == [PLAYABLE, POSTER]


def test_copies_for_browsers_belong_to_the_attempt_and_a_full_disk_is_said(tmp_path, monkeypatch):
    film = write_video(tmp_path / "film.mp4", [n / 30 for n in range(15)])
    library = Library(tmp_path / "data")
    row = library.attempt(library.add_attempt(film, "film.mp4"))
    playables = Playables(library)
    playables.start()
    try:
        with monkeypatch.context() as full:
            full.setattr("repcount.library.making.SPARE_BYTES", 10**18)
            assert playables.ask(row).state in ("waiting", "running", "failed")
            assert settled(playables, row) == ("failed", NO_ROOM)
        assert settled(playables, row) == ("made", "")  # asked again, with room
    finally:
        playables.stop()
    copy = library.folder_of(row.id) / PLAYABLE
    assert [one for one in findings(library) if row.id in one] == []
    copy.write_bytes(b"cut")
    assert [PLAYABLE in one for one in findings(library) if row.id in one] == [True]
    library.delete(row.id)
    assert not copy.exists()
    library.close()


def settled(playables: Playables, row: AttemptRow) -> tuple[str, str]:
    deadline = time.monotonic() + 60
    while (now := playables.ask(row)).state in ("waiting", "running"):
        assert time.monotonic() < deadline
        time.sleep(0.02)
    return now.state, now.said


def test_a_clip_with_the_reading_is_asked_for_until_it_is_made_or_cannot_be(tmp_path, monkeypatch):
    film = write_video(tmp_path / "film.mp4", [n / 30 for n in range(15)])
    library = Library(tmp_path / "data")
    write_stub(tmp_path / "read")
    bare, other = (
        library.attempt(library.add_attempt(film, "film.mp4", results=tmp_path / "read"))
        for _ in range(2)
    )
    overlays = Overlays(library, (sys.executable, "-c", "raise SystemExit(2)"))
    with pytest.raises(RecordError, match="is not kept"):
        overlays.ask(bare)
    waiting = library.attempt(library.add_attempt(film, "film.mp4"))
    with pytest.raises(Conflict, match="not read yet"):
        overlays.ask(waiting)
    for row in (bare, other):
        (library.folder_of(row.id) / TRACKS).touch()
    mark = library.folder_of(bare.id) / OVERLAY_ASKED
    overlays.ask(bare)  # nothing runs yet: as where the server is killed now
    assert mark.is_file()
    after = Overlays(library, overlays.command)
    monkeypatch.setattr("repcount.library.making.SPARE_BYTES", 10**18)
    after.start()
    try:
        assert ended(after, bare) == ("failed", Overlays.no_room)
        assert not mark.exists()
        assert after.stands(other) is None
        monkeypatch.setattr("repcount.library.making.SPARE_BYTES", 0)
        after.ask(bare)
        assert ended(after, bare) == ("failed", Overlays.broke_off)
    finally:
        after.stop()
    # which is the one that shows the attempt as it is; notes are not drawn
    folder = library.folder_of(bare.id)
    clip = folder / OVERLAY.format(f"{drawn_from(folder)}-none")
    clip.write_bytes(film.read_bytes())
    assert after.of(bare) == clip
    assert [one for one in findings(library) if clip.name in one] == []
    correct(folder, partial(noted, action="note", values={"text": "grip"}))
    assert after.of(bare) == clip
    correct(folder, partial(noted, action="set_clock", values={"start_s": 0.5}))
    assert (after.of(bare), after.latest(bare)) == (None, clip)
    clip.write_bytes(b"cut")
    assert [clip.name in one for one in findings(library) if "clip" in one] == [True]
    assert clip.name not in result_files(folder)
    # with other faces than were asked for it is gone at once, and one is made after the other
    after.ask(bare, "others")
    assert (clip.exists(), after.arguments(bare)[-1]) == (False, "others")
    with pytest.raises(Conflict, match="another clip"):
        after.ask(bare, "all")
    library.close()


def noted(reading: Reading, edits: Edits, **made: object) -> Edits:
    return append_edit(reading, edits, make_edit(edits, who="Robin", **made))


def ended(overlays: Overlays, row: AttemptRow) -> tuple[str, str]:
    deadline = time.monotonic() + 60
    while (now := overlays.stands(row)) is None or now.state in ("waiting", "running"):
        assert time.monotonic() < deadline
        time.sleep(0.02)
    return now.state, now.said


@pytest.mark.parametrize(
    ("codec", "name", "plays"),
    [
        ("h264", "a.MOV", True), ("hevc", "a.mov", False), ("h264", "a.mkv", False),
        ("vp9", "a.webm", True), ("mpeg4", "a.mp4", False), ("av1", "a.mp4", False),
    ],
)  # fmt: skip
def test_what_is_taken_to_play_everywhere(codec, name, plays):
    assert plays_everywhere(codec, name) is plays
