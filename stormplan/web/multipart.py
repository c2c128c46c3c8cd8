"""A form with a file in it, as browsers send it (RFC 7578)."""

from __future__ import annotations

import re
from typing import NamedTuple

MAX_PARTS = 40


class Upload(NamedTuple):
    """A file of a form: what the sender calls it, and what is in it."""

    name: str
    content: bytes


def parse_multipart(content_type: str, body: bytes) -> tuple[dict[str, str], dict[str, Upload]]:
    """Read a form with files.

    Parameters
    ----------
    content_type : str
        With the boundary between parts.
    body : bytes
        The form.

    Returns
    -------
    dict of str to str, dict of str to Upload
        Fields, and files that are not empty.

    Raises
    ------
    ValueError
        It is no such form, or has too many parts.
    """
    boundary = re.search(r'boundary="?([\w\'()+,./:=?-]{1,70})"?', content_type)
    if boundary is None:
        raise ValueError("no boundary")
    parts = (b"\r\n" + body).split(b"\r\n--" + boundary[1].encode())
    if len(parts) > MAX_PARTS + 2:
        raise ValueError("too many parts")
    fields: dict[str, str] = {}
    files: dict[str, Upload] = {}
    for part in parts[1:-1]:
        head, _, content = part.partition(b"\r\n\r\n")
        told = head.decode()
        name = re.search(r'[ ;]name="([^"]*)"', told)
        file_name = re.search(r'filename="([^"]*)"', told)
        if name is None:
            raise ValueError("a part without a name")
        if file_name is None:
            fields[name[1]] = content.decode()
        elif content:
            files[name[1]] = Upload(file_name[1], content)
    return fields, files
