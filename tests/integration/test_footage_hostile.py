"""Files that are damaged, odd or made to do harm: one clear sentence, nothing else is opened."""

from __future__ import annotations

import os
import struct
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from repcount.errors import FootageError
from repcount.video.containers import sniff
from repcount.video.footage import MAX_SIDE_PX, declared_bytes, open_footage, probe
from tests.media import card, read_index, write_video


def refusal(path: Path) -> str:
    """The sentence with which `path` is refused: one line that names the file and what to do."""
    with pytest.raises(FootageError) as caught:
        probe(path)
    sentence = str(caught.value)
    assert "\n" not in sentence
    assert sentence.startswith(f"{path}: ")
    assert sentence.endswith(".")
    return sentence


# --- no video at all ------------------------------------------------------------------------------

# Scripts that FFmpeg, left to guess, would follow to other files or addresses (FFmpeg formats
# documentation: concat, hls, sdp demuxers; image2 for frames).
SCRIPTS = {
    "hls": "#EXTM3U\n#EXT-X-TARGETDURATION:10\n#EXTINF:10,\nfile:///etc/hostname\n#EXT-X-ENDLIST\n",
    "hls-web": "#EXTM3U\n#EXTINF:10,\nhttp://127.0.0.1:9/a.ts\n#EXT-X-ENDLIST\n",
    "concat": "ffconcat version 1.0\nfile whole.mp4\n",
    "sdp": "v=0\no=- 0 0 IN IP4 127.0.0.1\ns=x\nc=IN IP4 127.0.0.1\nt=0 0\nm=video 9 RTP/AVP 96\n",
    "dash": '<?xml version="1.0"?>\n<MPD xmlns="urn:mpeg:dash:schema:mpd:2011"></MPD>\n',
    "text": "three rounds, eight deadlifts\n",
    "subtitles": "WEBVTT\n\n00:00.000 --> 00:01.000\nhello\n",
}


@pytest.mark.parametrize("kind", SCRIPTS)
def test_scripts_are_no_videos(kind, tmp_path):
    write_video(tmp_path / "whole.mp4", [0, 0.1])
    path = tmp_path / "clip.mp4"
    path.write_text(SCRIPTS[kind])
    assert "not a video" in refusal(path)


@pytest.mark.parametrize(
    "head",
    [
        b"\x89PNG\r\n\x1a\n" + bytes(64),
        b"\xff\xd8\xff\xe0\x00\x10JFIF" + bytes(64),
        b"GIF89a" + bytes(64),
        b"RIFF\x00\x00\x00\x00WAVEfmt " + bytes(64),
        b"PK\x03\x04" + bytes(64),
        b"\x47" + bytes(64),
        b"\x00",
    ],
)
def test_other_files_are_no_videos(head, tmp_path):
    path = tmp_path / "clip.mp4"
    path.write_bytes(head)
    assert "not a video" in refusal(path)


def test_photo_in_the_same_box_format(tmp_path):
    path = tmp_path / "photo.mov"
    path.write_bytes(b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic" + bytes(64))
    assert "photo" in refusal(path)


def test_empty_missing_folder(tmp_path):
    (tmp_path / "empty.mp4").touch()
    (tmp_path / "folder.mp4").mkdir()
    assert "empty" in refusal(tmp_path / "empty.mp4")
    assert "a folder" in refusal(tmp_path / "folder.mp4")
    assert "no such file" in refusal(tmp_path / "missing.mp4")
    assert "no such file" in refusal(Path("http://127.0.0.1:9/a.mp4"))
    assert "cannot be read" in refusal(Path("a\0b.mp4"))


def test_pipe_and_device_do_not_hang(tmp_path):
    os.mkfifo(tmp_path / "pipe.mp4")
    assert "no ordinary file" in refusal(tmp_path / "pipe.mp4")
    assert "no ordinary file" in refusal(Path("/dev/zero"))


@pytest.mark.parametrize("name", ["concat:whole.mp4", "http:a.mp4", "%03d.mp4", "a|b?c#d.mp4"])
def test_a_name_is_only_a_name(name, tmp_path, monkeypatch):
    """No file name is taken for an address, a list or a pattern."""
    monkeypatch.chdir(tmp_path)
    write_video(tmp_path / "whole.mp4", [0, 0.1, 0.2])
    (tmp_path / "whole.mp4").rename(name)
    assert probe(name).frames == 3


# --- no video stream ---------------------------------------------------------------------------


def write_sound(path: Path, cover: bool) -> Path:
    with av.open(str(path), "w") as out:
        audio = out.add_stream("aac", rate=48000, layout="mono")
        if cover:
            video = out.add_stream("mjpeg", rate=1)
            video.width, video.height, video.pix_fmt = 160, 120, "yuvj420p"
            video.disposition = av.stream.Disposition.attached_pic
            picture = av.VideoFrame.from_ndarray(card(), format="rgb24")
            picture.pts = 0
            out.mux(video.encode(picture.reformat(format="yuvj420p")))
            out.mux(video.encode(None))
        for start in range(0, 48000, 1024):
            frame = av.AudioFrame.from_ndarray(
                np.zeros((1, 1024), np.float32), format="fltp", layout="mono"
            )
            frame.sample_rate, frame.pts, frame.time_base = 48000, start, Fraction(1, 48000)
            out.mux(audio.encode(frame))
        out.mux(audio.encode(None))
    return path


@pytest.mark.parametrize("cover", [False, True])
def test_sound_alone(cover, tmp_path):
    assert "no video stream" in refusal(write_sound(tmp_path / "song.mp4", cover))


def test_single_frame(tmp_path):
    assert "single frame" in refusal(write_video(tmp_path / "a.mp4", [0.0]))


def test_codec_that_no_phone_writes(tmp_path):
    path = write_video(tmp_path / "a.mkv", [0, 0.1], codec="ffv1")
    assert "coded as ffv1" in refusal(path)


# --- absurd sizes and times -----------------------------------------------------------------------


def test_frame_too_wide(tmp_path):
    wide = np.zeros((104, MAX_SIDE_PX + 16, 3), np.uint8)
    path = write_video(
        tmp_path / "a.mov", [0, 0.1], pictures=[wide, wide], codec="mjpeg", pix_fmt="yuvj420p"
    )
    assert f"{MAX_SIDE_PX + 16} x 104" in refusal(path)


def test_frame_too_small(tmp_path):
    tiny = card(96, 112)
    path = write_video(tmp_path / "a.mp4", [0, 0.1], pictures=[tiny, tiny])
    assert "96 x 112" in refusal(path)


def test_head_that_claims_a_huge_frame(tmp_path):
    """The size in the sample description (ISO/IEC 14496-12, 12.1.3: 16 bits each, 28 bytes after
    the format's name) is only a claim; the frame itself is asked."""
    path = write_video(tmp_path / "a.mov", [0, 0.1], codec="mjpeg", pix_fmt="yuvj420p")
    data = bytearray(path.read_bytes())
    at = data.rindex(b"jpeg") + 28
    assert struct.unpack(">HH", data[at : at + 4]) == (160, 120)
    data[at : at + 4] = struct.pack(">HH", 65000, 65000)
    path.write_bytes(data)
    assert (probe(path).width, probe(path).height) == (160, 120)


def test_hours_of_nothing(tmp_path):
    path = write_video(tmp_path / "a.mkv", [0, 5 * 3600.0], tick=Fraction(1, 1000))
    assert "hours" in refusal(path)


# --- a file that points at another ----------------------------------------------------------------


def edit_box(data: bytes, path: tuple[bytes, ...], new: bytes) -> bytes:
    """`data` with the content of the first box at `path` replaced, all sizes put right."""
    out, at = b"", 0
    while at < len(data):
        size, name = struct.unpack(">I4s", data[at : at + 8])
        content = data[at + 8 : at + size]
        if name == path[0]:
            content = new if len(path) == 1 else edit_box(content, path[1:], new)
        out += struct.pack(">I4s", len(content) + 8, name) + content
        at += size
    return out


def alias_to(name: str) -> bytes:
    """A data reference box's content that names a file beside the movie (Macintosh alias record,
    laid out as FFmpeg's `mov_read_dref` reads it)."""
    path = f"/disk/{name}".encode()
    path += b"\0" * (len(path) % 2)
    record = bytes(10) + b"\x04disk" + bytes(23) + bytes(12)
    record += bytes([len(name)]) + name.encode().ljust(63, b"\0") + bytes(16)
    record += struct.pack(">HH", 1, 1) + bytes(16)
    record += struct.pack(">HH", 2, len(path)) + path + struct.pack(">HH", 0xFFFF, 0)
    entry = b"alis" + bytes(4) + record
    return struct.pack(">II", 0, 1) + struct.pack(">I", len(entry) + 4) + entry


def test_other_file_named_inside_a_movie_is_not_opened(tmp_path):
    """A QuickTime movie may keep its frames in another file. Control: FFmpeg told to follow the
    reference shows the other file's frames; opened by us it shows nothing."""
    secret = write_video(tmp_path / "secret.mov", np.arange(8) / 30)
    data = secret.read_bytes()
    trak = (b"moov", b"trak", b"mdia", b"minf", b"dinf", b"dref")
    pointer = edit_box(data, trak, alias_to("secret.mov"))
    size = pointer.index(b"moov") - 4
    start = pointer.index(b"mdat") + 4
    pointer = pointer[:start] + bytes(size - start) + pointer[size:]  # own frames wiped out
    path = tmp_path / "pointer.mov"
    path.write_bytes(pointer)
    with av.open(str(path), options={"enable_drefs": "1"}) as followed:
        indices = [read_index(f.to_ndarray(format="gray")) for f in followed.decode(video=0)]
    assert indices == list(range(8))
    refusal(path)


# --- cut short and damaged ------------------------------------------------------------------------

ISO = ("a.mp4", "a.mov")
FASTSTART = {"movflags": "faststart"}  # the index in front, so that a cut leaves it
NAMES = ["a.mp4", "a.mov", "a.mkv", "a.avi", "a.ts"]


def long_clip(path: Path, **options) -> Path:
    tick = Fraction(1, 30) if path.suffix == ".avi" else Fraction(1, 90000)
    rng = np.random.default_rng(1)
    noise = [rng.integers(0, 256, (120, 160, 3), np.uint8) for _ in range(90)]
    return write_video(
        path, np.arange(90) / 30, pictures=noise, tick=tick, options={"bf": "0"}, **options
    )


@pytest.mark.parametrize("name", NAMES)
def test_cut_short_is_read_as_far_as_it_goes(name, tmp_path):
    options = {"mux": FASTSTART} if name in ISO else {}
    path = long_clip(tmp_path / name, **options)
    whole = path.stat().st_size
    assert probe(path).warnings == ()
    assert declared_bytes(path, sniff(path)) in (0, whole)
    os.truncate(path, whole * 6 // 10)
    with open_footage(path) as footage:
        frames = list(footage.frames())
        assert 40 <= len(frames) <= 60
    info = footage.info
    assert info.duration_s == pytest.approx(1.8, abs=0.2)
    if name != "a.ts":  # a transport stream does not say how long it is
        (warning,) = [text for text in footage.warnings if "cut short" in text]
        assert f"{info.duration_s:.1f} s" in warning
        if name in ISO:
            assert "of 3.0 s" in warning


def test_cut_short_before_its_index(tmp_path):
    path = long_clip(tmp_path / "a.mp4")
    os.truncate(path, path.stat().st_size * 6 // 10)
    assert "damaged or cut short" in refusal(path)


@pytest.mark.parametrize("name", NAMES)
def test_hole_in_the_middle(name, tmp_path):
    path = long_clip(tmp_path / name, **({"mux": FASTSTART} if name in ISO else {}))
    data = bytearray(path.read_bytes())
    start = len(data) // 2
    data[start : start + len(data) // 20] = bytes(len(data) // 20)
    path.write_bytes(data)
    with open_footage(path) as footage:
        found = np.array([frame.time_s for frame in footage.frames()])
    assert len(found) > 30
    assert np.all(np.diff(found) > 0)


@pytest.fixture(scope="module")
def sample(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sample")
    return {
        name: write_video(
            folder / name,
            np.arange(6) / 30,
            tick=Fraction(1, 30) if name == "a.avi" else Fraction(1, 90000),
            sound=np.sin(np.arange(9600) / 8).astype(np.float32),
        ).read_bytes()
        for name in NAMES
    }


@given(
    name=st.sampled_from(NAMES),
    hits=st.lists(st.tuples(st.floats(0, 1), st.integers(0, 255)), min_size=1, max_size=40),
    keep=st.floats(0.05, 1),
)
@settings(
    max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_any_damage_is_read_or_refused_in_one_sentence(name, hits, keep, sample, tmp_path):
    data = bytearray(sample[name])
    for place, value in hits:
        data[int(place * (len(data) - 1))] = value
    path = tmp_path / name
    path.write_bytes(data[: int(keep * len(data))])
    found, refused = np.zeros(0), None
    try:
        with open_footage(path) as footage:
            found = np.array([frame.time_s for frame in footage.frames()])
            footage.sound()
    except FootageError as error:
        refused = str(error)
    assert np.all(np.diff(found) > 0)
    assert refused is None or "\n" not in refused
