"""A camera that shows a label."""

import io
from pathlib import Path

from PIL import Image


def showing(label: bytes, path: Path) -> list[str]:
    """Arguments by which Chromium takes a picture for what its camera sees."""
    with Image.open(io.BytesIO(label)) as image:
        scale = max(1, 400 // image.height)
        large = image.convert("L").resize((image.width * scale, image.height * scale))
    frame = Image.new("RGB", (640, 480), "white")
    frame.paste(large, (20, 20))
    out = io.BytesIO()
    frame.save(out, "JPEG", quality=95)
    path.write_bytes(out.getvalue() * 10)
    return [
        "--use-fake-ui-for-media-stream",
        "--use-fake-device-for-media-stream",
        f"--use-file-for-fake-video-capture={path}",
    ]
