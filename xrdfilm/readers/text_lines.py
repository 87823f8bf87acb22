"""Bytes to text: which encoding, and is it text at all."""

from __future__ import annotations

import codecs
from collections.abc import Iterator

from xrdfilm.readers.source import Source

BLOCK_BYTES = 4 * 1024 * 1024

_BOMS: tuple[tuple[bytes, str], ...] = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_MAGIC: tuple[tuple[bytes, str], ...] = (
    (b"\x89PNG", "a PNG picture"),
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"GIF8", "a GIF picture"),
    (b"II*\0", "a TIFF picture"),
    (b"MM\0*", "a TIFF picture"),
    (b"BM", "a bitmap picture"),
    (b"%PDF", "a PDF document"),
    (b"PK\x03\x04", "a ZIP archive, as office spreadsheets and packed data are"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"BZh", "a bzip2 archive"),
    (b"\xfd7zXZ", "an xz archive"),
    (b"7z\xbc\xaf", "a 7z archive"),
    (b"\xd0\xcf\x11\xe0", "an old office document"),
    (b"\x89HDF\r\n\x1a\n", "an HDF5 file"),
    (b"SQLite format 3", "a database"),
    (b"\x7fELF", "a program"),
    (b"MZ", "a program"),
    (b"\x93NUMPY", "a NumPy array"),
    (b"{\\rtf", "a rich-text document"),
)
_PLAIN = bytes(range(0x20, 0x7F)) + b"\t\r\n\f\v\x1a" + bytes(range(0x80, 0x100))


def binary_kind(head: bytes) -> str | None:
    """What a file that is no text is, in words; None where it may be text."""
    for magic, kind in _MAGIC:
        if head.startswith(magic) and (
            len(magic) > 2 or b"\0" in head[:512] or magic == b"\x1f\x8b"
        ):
            return kind
    if encoding_of(head) is not None:
        return None
    return "a binary file"


def encoding_of(head: bytes) -> str | None:
    """The encoding that the first bytes speak for; None where they are no text."""
    for bom, encoding in _BOMS:
        if head.startswith(bom):
            return encoding
    if b"\0" in head:
        return _wide_encoding(head)
    if head.isascii():
        return None if head.translate(None, _PLAIN) and _mostly_control(head) else "ascii"
    if _mostly_control(head):
        return None
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return "cp932" if _is_japanese(head) else "latin-1"
    return "utf-8"


def _mostly_control(head: bytes) -> bool:
    return len(head.translate(None, _PLAIN)) > 0.02 * len(head)


def _wide_encoding(head: bytes) -> str | None:
    """UTF-16 without a mark: every other byte of plain text is zero."""
    even, odd = head[0::2], head[1::2]
    if odd.count(0) > 0.7 * len(odd) and even.count(0) < 0.05 * len(even) + 1:
        return "utf-16-le"
    if even.count(0) > 0.7 * len(even) and odd.count(0) < 0.05 * len(odd) + 1:
        return "utf-16-be"
    return None


def _is_japanese(head: bytes) -> bool:
    """Shift-JIS rather than Latin-1: it decodes, and most high bytes make kana or kanji."""
    # The head may end inside a character, so the last byte is not insisted on.
    for end in (len(head), len(head) - 1):
        try:
            text = head[:end].decode("cp932")
        except UnicodeDecodeError:
            continue
        wide = sum(
            1 for char in text if "\u3040" <= char <= "\u30ff" or "\u4e00" <= char <= "\u9fff"
        )
        narrow = sum(1 for char in text if "\uff61" <= char <= "\uff9f")
        return wide >= 2 and wide > narrow
    return False


def text_blocks(source: Source, encoding: str) -> Iterator[bytes]:
    """The file in blocks of whole lines, in an encoding in which ASCII is ASCII.

    UTF-16 and UTF-32 become UTF-8 on the way; all else stays as it is. Raises `ScanFormatError`
    for a line longer than the limit.
    """
    wide = encoding.startswith(("utf-16", "utf-32"))
    decoder = codecs.getincrementaldecoder(encoding)("replace") if wide else None
    rest = b""
    first = True
    for raw in source.blocks(BLOCK_BYTES):
        block = raw if decoder is None else decoder.decode(raw).encode("utf-8", "replace")
        if first and encoding == "utf-8-sig":
            block = block[len(codecs.BOM_UTF8) :]
        first = False
        block = rest + block if rest else block
        cut = max(block.rfind(b"\n"), block.rfind(b"\r", 0, -1)) + 1
        rest = block[cut:] if cut < len(block) else b""
        if len(rest) > source.limits.max_line_length + BLOCK_BYTES // 2:
            raise too_long(source, None)
        if cut:
            yield block[:cut] if rest else block
    if rest:
        yield rest


def too_long(source: Source, line: int | None) -> Exception:
    """The error for a line over the limit."""
    return source.error(
        f"has a line of over {source.limits.max_line_length:,} characters; a scan is one point a "
        "line (limit: max_line_length)",
        line,
    )


def text_lines(source: Source, encoding: str) -> Iterator[tuple[int, str]]:
    """Lines with their numbers from 1; LF, CRLF and CR all end a line."""
    plain = "utf-8" if encoding.startswith("utf") or encoding == "ascii" else encoding
    longest = source.limits.max_line_length
    number = 0
    for block in text_blocks(source, encoding):
        for raw in block.splitlines():
            number += 1
            if len(raw) > longest:
                raise too_long(source, number)
            yield number, raw.decode(plain, "replace")
