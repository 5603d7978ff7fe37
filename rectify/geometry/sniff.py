"""What a file is by its first bytes, whatever it is called.

A name can lie, and a library that trusts it fails in odd ways: an OBJ called .stl would be read as a binary
STL with some thousand million triangles. Only what a technician is likely to hand over is told apart.
"""

from __future__ import annotations

import re
import struct

__all__ = ["HEAD_BYTES", "looks_like"]

HEAD_BYTES = 4096  # enough for the comment block some programs write in front of an OBJ or OFF

_STL_HEADER, _STL_FACET = 84, 50  # bytes: header and count; one triangle (binary STL)

_MAGIC = (
    (b"glTF", "GLB"),
    (b"PK\x03\x04", "ZIP"),
    (b"PK\x05\x06", "ZIP"),  # an archive without members
    (b"\x89PNG\r\n", "a PNG picture"),
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"%PDF", "a PDF document"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (b"Rar!", "a RAR archive"),
)
_TEXT = (
    (re.compile(r"\s*solid\b", re.I), "ASCII STL"),
    (re.compile(r"\s*(#[^\n]*\n\s*)*(ST)?(C)?(N)?(4)?n?OFF\b"), "OFF"),
    (re.compile(r"\s*<(!doctype\s+html|html)", re.I), "a web page"),
    (re.compile(r"\s*<\?xml|\s*<\w+[\s>]"), "an XML document"),
    (re.compile(r"\s*[{\[]"), "a JSON document"),
)
_OBJ_LINE = re.compile(r"^\s*(v\s+[-+.\d]|vn\s|vt\s|f\s+-?\d|mtllib\s|usemtl\s)", re.M)


def looks_like(head: bytes, size: int) -> str:
    """Name of the format the first bytes speak of.

    Parameters
    ----------
    head : bytes
        The first HEAD_BYTES of the file, or all of a shorter one.
    size : int
        Bytes of the whole file.

    Returns
    -------
    str
        'binary STL', 'ASCII STL', 'PLY', 'OBJ', 'OFF', 'GLB' or 'ZIP' (a 3MF is one); else words for a
        message: 'nothing: it is empty', 'a PNG picture', 'text', 'binary data' ...

    Examples
    --------
    >>> looks_like(b"ply\\nformat ascii 1.0\\n", 22)
    'PLY'
    """
    if not size:
        return "nothing: it is empty"
    if size >= _STL_HEADER and size == _STL_HEADER + _STL_FACET * struct.unpack("<I", head[80:84])[0]:
        return "binary STL"  # the size fits exactly: certain, even where the header begins with `solid`
    if re.match(rb"ply\s", head):
        return "PLY"
    for magic, name in _MAGIC:
        if head.startswith(magic):
            return name
    text = _as_text(head)
    if text is None:
        return "binary data"
    for pattern, name in _TEXT:
        if pattern.match(text):
            return name
    return "OBJ" if _OBJ_LINE.search(text) else "text"


def _as_text(head: bytes) -> str | None:
    """The head as text, or None where it holds bytes that no text has."""
    if b"\x00" in head:
        return None
    try:
        text = head.removeprefix(b"\xef\xbb\xbf").decode("utf-8")
    except UnicodeDecodeError as error:
        if len(head) - error.start < 4 and error.reason == "unexpected end of data":
            text = head[: error.start].decode("utf-8")  # a letter cut in two by the end of the head
        else:
            text = head.decode("latin-1")
    odd = sum(not (letter.isprintable() or letter.isspace()) for letter in text)
    return text if odd * 50 <= len(text) else None
