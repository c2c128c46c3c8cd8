"""A form with a file in it, as browsers send it (RFC 7578)."""

from __future__ import annotations

from io import BytesIO
from typing import NamedTuple

from python_multipart import parse_form
from python_multipart.multipart import Field, File

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
    fields: dict[str, str] = {}
    files: dict[str, Upload] = {}
    parts = 0

    def name_of(part: Field | File) -> str:
        nonlocal parts
        parts += 1
        if parts > MAX_PARTS or not part.field_name:
            raise ValueError("too many parts" if part.field_name else "a part without a name")
        return part.field_name.decode()

    def add_field(field: Field) -> None:
        fields[name_of(field)] = (field.value or b"").decode()

    def add_file(file: File) -> None:
        file.file_object.seek(0)
        content = file.file_object.read()
        name = name_of(file)
        if content:
            files[name] = Upload((file.file_name or b"").decode(), content)

    head = {"Content-Type": content_type.encode(), "Content-Length": str(len(body)).encode()}
    parse_form(head, BytesIO(body), add_field, add_file)
    return fields, files
