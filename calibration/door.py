"""The door: TOML files become frozen dataclasses here, and every value is checked here once and nowhere inside.

A dataclass says what its table may hold: `limited(...)` gives a field its range, choices, unit and remedy, the field's
type and default say the rest. `read_toml` reads the file, `build` makes one dataclass from one table. Whatever the user
got wrong becomes an `InputError` whose text is one line: file, table, key, what it was, what it may be, and the remedy.
"""

import contextlib
import dataclasses
import datetime
import difflib
import functools
import math
import types
import typing
from pathlib import Path
from typing import Any, NamedTuple

LARGEST_FILE_BYTES = 1_000_000  # a hand-written file is a few kB: more than this is the wrong file


class InputError(Exception):
    """A mistake in what the user gave. `str(error)` is the one line to show; the command ends with exit code 2."""


class GoneError(Exception):
    """A source or sink is gone for good. The command ends with exit code 3."""


class Limits(NamedTuple):
    """What one key may hold beyond its type."""

    low: float = -math.inf
    high: float = math.inf
    above: float = -math.inf  # exclusive lower bound
    choices: tuple[str, ...] = ()
    length: int | None = None  # of an array
    unit: str = ""
    remedy: str = ""


def limited(
    default: Any = dataclasses.MISSING,
    *,
    low: float = -math.inf,
    high: float = math.inf,
    above: float = -math.inf,
    choices: tuple[str, ...] = (),
    length: int | None = None,
    unit: str = "",
    remedy: str = "",
) -> Any:
    """A dataclass field whose value `build` checks. Without `default` the key is required."""
    limits = Limits(low, high, above, choices, length, unit, remedy)
    return dataclasses.field(default=default, metadata={"limits": limits})


def counted(number: int, one: str, more: str = "") -> str:
    """A number of things in words: 1 row, 2 rows."""
    return f"{number} {one if number == 1 else more or one + 's'}"


def one_line(value: object, longest: int = 60) -> str:
    """`value` as a user would recognise it, without line breaks or control characters, cut to `longest` characters."""
    if isinstance(value, bool):
        text = "true" if value else "false"
    elif isinstance(value, (datetime.date, datetime.time)):
        text = value.isoformat()
    elif isinstance(value, str):
        text = '"' + "".join(c if c.isprintable() else "?" for c in value) + '"'
    else:
        try:
            text = "".join(c if c.isprintable() else "?" for c in str(value))
        except ValueError:  # a whole number of more digits than Python writes
            text = "a number of thousands of digits"
    return text if len(text) <= longest else text[:longest] + "..."


def nearest(word: str, known: typing.Iterable[str]) -> str:
    """A hint for a word that is not known: the nearest known one, or all of them if none is near."""
    names = sorted(known)
    near = difflib.get_close_matches(word.lower(), names, n=1, cutoff=0.5)
    return f'nearest is "{near[0]}"' if near else "known: " + ", ".join(names)


def read_toml(path: Path) -> dict[str, Any]:
    """The document in `path`. InputError: missing, unreadable, too long, not UTF-8, not TOML (with line, column)."""
    import tomli

    try:
        if path.is_dir():
            raise InputError(f"{path}: is a folder; give the file itself")
        with path.open("rb") as f:
            raw = f.read(LARGEST_FILE_BYTES + 1)
    except FileNotFoundError:
        raise InputError(f"{path}: no such file; check the name and the folder you are in") from None
    except (OSError, ValueError) as e:  # ValueError: a NUL byte in the name
        raise InputError(f"{one_line(str(path))}: cannot be read ({getattr(e, 'strerror', None) or e})") from None
    if len(raw) > LARGEST_FILE_BYTES:
        raise InputError(f"{path}: longer than {LARGEST_FILE_BYTES} bytes; it may be a TOML text file of a few kB")
    try:
        return tomli.loads(raw.decode("utf-8-sig"))
    except UnicodeDecodeError as e:
        raise InputError(f"{path}: byte {e.start} is not UTF-8 text; save the file as UTF-8") from None
    except tomli.TOMLDecodeError as e:
        remedy = "write key = value, text in double quotes, decimals with a point"
        raise InputError(f"{path}: not valid TOML: {one_line(e, 200)}; {remedy}") from None
    except (RecursionError, ValueError) as e:  # nested too deeply; a number of too many digits
        raise InputError(f"{path}: not usable TOML: {one_line(e, 200)}") from None


@functools.cache
def _types(cls: type) -> dict[str, Any]:
    return typing.get_type_hints(cls)


def file_keys(cls: type) -> list[dataclasses.Field[Any]]:
    """The fields of `cls` that a file may give; those with metadata `derived` are the program's own."""
    return [f for f in dataclasses.fields(cls) if not f.metadata.get("derived")]


def build(cls: type, table: object, where: str, folder: Path, tables: typing.Mapping[str, type] = types.MappingProxyType({})) -> Any:
    """One frozen dataclass `cls` from one TOML table.

    `where` names file and table in messages; relative paths are taken from `folder`; `tables` are those of the file, in
    which a key may be at home that is none of `cls`. InputError on the first key that is unknown, missing, of the wrong type or
    outside its range.
    """
    if not isinstance(table, dict):
        raise InputError(f"{where}: is {one_line(table)}, may be a table of keys")
    fields = {f.name: f for f in file_keys(cls)}
    for key in table:
        if key not in fields:
            homes = [t for t, other in tables.items() if key in {f.name for f in file_keys(other)}]
            hint = f"{key} belongs under [{homes[0]}]" if len(homes) == 1 else nearest(key, fields)
            raise InputError(f"{where} {one_line(key).strip(chr(34))}: unknown key; {hint}")
    values = {}
    for name, field in fields.items():
        limits = field.metadata.get("limits", Limits())
        if name in table:
            values[name] = _value(_types(cls)[name], limits, table[name], f"{where} {name}", folder)
        elif field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING:
            raise InputError(f"{where} {name}: is missing, may be {_may_be(_types(cls)[name], limits)}{_tail(limits)}")
    return cls(**values)


def _value(kind: Any, limits: Limits, value: object, where: str, folder: Path) -> Any:
    """`value` as `kind` if it is of that type and within `limits`, else InputError."""
    kinds = [k for k in typing.get_args(kind) if k is not type(None)] if _is_union(kind) else [kind]
    bad = InputError(f"{where}: is {one_line(value)}, may be {_may_be(kind, limits)}{_tail(limits)}")
    for k in kinds:
        if typing.get_origin(k) is tuple:
            if isinstance(value, list):
                return _items(k, limits, value, where, folder, bad)
        elif dataclasses.is_dataclass(k):
            return build(typing.cast(type, k), value, where, folder)
        elif k is float and isinstance(value, (int, float)) and not isinstance(value, bool):
            return _in_range(float(value) if abs(value) < 1e300 else math.inf, limits, bad)
        elif k is int and isinstance(value, int) and not isinstance(value, bool):
            return _in_range(value if abs(value) < 1e300 else math.inf, limits, bad)
        elif k is bool and isinstance(value, bool):
            return value
        elif k is str and isinstance(value, str):
            return _text(value, limits, where, bad)
        elif k is Path and isinstance(value, str) and value and value.isprintable():
            with contextlib.suppress(RuntimeError):  # of a user who is not known here
                value = str(Path(value).expanduser())
            return folder / value
        elif k is datetime.date and isinstance(value, datetime.date):
            return value.date() if isinstance(value, datetime.datetime) else value
        elif k is datetime.date and isinstance(value, str):  # in quotes, as other programs write it
            with contextlib.suppress(ValueError):
                return datetime.datetime.fromisoformat(value).date()
    raise bad


def _items(kind: Any, limits: Limits, value: list[Any], where: str, folder: Path, bad: InputError) -> tuple[Any, ...]:
    if limits.length is not None and len(value) != limits.length:
        raise bad
    item = typing.get_args(kind)[0]
    return tuple(_value(item, limits, v, f"{where}[{i}]", folder) for i, v in enumerate(value))


def _in_range(number: float, limits: Limits, bad: InputError) -> float:
    if math.isfinite(number) and limits.low <= number <= limits.high and number > limits.above:
        return number
    raise bad


def _text(value: str, limits: Limits, where: str, bad: InputError) -> str:
    if not limits.choices:
        if value and value.isprintable():
            return value
        raise bad
    for choice in limits.choices:
        if value.lower() == choice.lower():
            return choice
    near = difflib.get_close_matches(value.lower(), [c.lower() for c in limits.choices], n=1, cutoff=0.5)
    hint = f'; nearest is "{next(c for c in limits.choices if c.lower() == near[0])}"' if near else ""
    raise InputError(f"{where}: is {one_line(value)}, may be {', '.join(limits.choices)}{hint}{_tail(limits)}")


def _is_union(kind: Any) -> bool:
    return typing.get_origin(kind) in (typing.Union, types.UnionType)


def _may_be(kind: Any, limits: Limits) -> str:
    """What a key may be, in words."""
    if _is_union(kind):
        return " or ".join(_may_be(k, limits) for k in typing.get_args(kind) if k is not type(None))
    if typing.get_origin(kind) is tuple:
        count = "" if limits.length is None else f"{limits.length} "
        return f"an array in [ ] of {count}items, each {_may_be(typing.get_args(kind)[0], limits)}"
    if dataclasses.is_dataclass(kind):
        return "a table of keys"
    if kind in (int, float):
        return ("a whole number" if kind is int else "a number") + _range_in_words(limits)
    if kind is str and limits.choices:
        return "one of " + ", ".join(limits.choices)
    return {str: "text in double quotes", bool: "true or false", Path: "a file name in double quotes"}.get(
        kind, "a date as 2031-12-24"
    )


def _range_in_words(limits: Limits) -> str:
    unit = f" {limits.unit}" if limits.unit else ""
    low = f" above {limits.above:g}" if limits.above > -math.inf else ""
    low = low or (f" from {limits.low:g}" if limits.low > -math.inf else "")
    high = f" {'' if low else 'up '}to {limits.high:g}" if limits.high < math.inf else ""
    return low + high + unit


def _tail(limits: Limits) -> str:
    return f"; {limits.remedy}" if limits.remedy else ""


def is_utf_16(first_line: str) -> bool:
    """Whether the first line of a text, decoded as UTF-8 with any way of bearing errors, is of UTF-16: its byte order mark,
    neither byte of which is UTF-8, or a NUL in every other place. Nothing but NULs is damage."""
    mark = first_line[:2] in ("\ufffd\ufffd", "\udcff\udcfe", "\udcfe\udcff")
    return mark or 3 * first_line.strip("\0").count("\0") > len(first_line)
