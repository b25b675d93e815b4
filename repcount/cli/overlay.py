"""`repcount overlay`: the video with what was read drawn on it."""

from __future__ import annotations

from pathlib import Path

import click

from repcount.cli.options import TARGET, debug_asked, plain, progress_shown


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--video",
    type=click.Path(path_type=Path),
    help="The video that was read; looked for beside the results if not given.",
)
@click.option("--out", type=TARGET, help="The file to write: overlay.mp4 in the folder.")
@click.option(
    "--blur-faces",
    "blur_faces",
    type=click.Choice(["others", "all"]),
    help="Make faces unreadable: all but the athlete's, or all. Some may be missed.",
)
@click.option("--quiet", is_flag=True, help="Print nothing but errors.")
def overlay(
    folder: Path, video: Path | None, out: Path | None, blur_faces: str | None, quiet: bool
) -> None:
    """Draw what was read onto the video: overlay.mp4, upright, with its sound."""
    from repcount.pipeline.analyze import make_overlay

    with progress_shown(quiet, debug_asked(), "Drawing the overlay") as progress:
        written = make_overlay(folder, video, out, blur_faces=blur_faces, progress=progress)
    if not quiet:
        click.echo(f"Written to {plain(written)}")
        if blur_faces:
            click.echo("Faces may have been missed: watch the film before you show it to others.")
