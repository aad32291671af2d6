"""Case files that want to break the reading: each is a name and a whole text, made from lists of keys and values."""

from __future__ import annotations

from collections.abc import Iterator

from case_folders import CASE, changed

NUMBERS = (
    "nan",
    "inf",
    "-inf",
    "1e308",
    "-1e308",
    "1e-320",
    "-1e9",
    "1" + "0" * 400,
    "true",
    '"122"',
)
MACHINE = (
    "rated_load_amps",
    "no_load_amps",
    "locked_rotor_amps",
    "supply_volts",
    "supply_hertz",
    "altitude_m",
    "air_pressure_kpa",
    "run_hours",
    "start_count",
)
# from no clock's year to beyond what 64 bits of nanoseconds hold
DATES = (
    "0001-01-01T00:00:00",
    "1900-06-01T00:00:00Z",
    "1979-12-31T23:59:59Z",
    "2200-01-01T00:00:00Z",
    "2263-01-01T00:00:00Z",
    "9999-12-31T23:59:59",
    "9999-12-31T23:59:59-23:59",
    "0001-01-01T00:00:00+23:59",
)
DURATIONS = (
    '"99999999999999d"',
    '"' + "9" * 400 + 'd"',
    '"36526d"',
    '"-1h"',
    '"nan h"',
    '"1e9d"',
    '"1.5.2h"',
    "36",
    '""',
)
CONTROLS = ("\\u0000", "\\u001b[2J", "\\u2028", "\\u0085", "\\n", "\\u007f")
LINES = ("title", "site", "machine_tag", "investigator", "reviewer", "claim_number")


def numbers() -> Iterator[tuple[str, str]]:
    """Numbers of the nameplate, of tests, of points and of limits that are none, or of no machine."""
    for key in MACHINE:
        base = CASE.replace("rated_load_amps = 122.0\n", "").replace("altitude_m = 180.0\n", "")
        for value in NUMBERS:
            if value == "1e-320" and key in ("run_hours", "start_count", "altitude_m"):
                continue  # nearly nothing, and possible
            yield f"{key} = {value[:12]}", base.replace("[machine]\n", f"[machine]\n{key} = {value}\n")
    for value in NUMBERS[:5]:
        yield (
            f"ratio error {value}",
            CASE.replace("[[source]]", f"[machine.current_sensor]\nratio_error_percent = {value}\n[[source]]", 1),
        )
        yield (
            f"measurement {value}",
            CASE + f'[[measurement]]\nkind = "winding_resistance"\nvalue = {value}\nunit = "ohm"\n',
        )
        yield f"fact {value}", CASE + f'[[fact]]\nwhat = "restarts_after_trip"\nvalue = {value}\n'
        yield f"range {value}", CASE.replace('unit = "A"\n', f'unit = "A"\nrange = [0, {value}]\n', 1)
        for limit in ("clocks.search_s", "starts.unloaded_ratio_max", "slide.bin_s"):
            yield f"limit {limit} {value}", CASE + _limit(limit, value)
    for limit in ("clocks.search_s", "duty.settle_after_start", "states.inference_step_s", "slide.bin_s"):
        for value in ("0", "-1", "1e15", "1e-15"):
            yield f"limit {limit} {value}", CASE + _limit(limit, value)


def _limit(name: str, value: str) -> str:
    return f'[[limit]]\nname = "{name}"\nvalue = {value}\nsource = "made"\n'


def times() -> Iterator[tuple[str, str]]:
    """Times that no clock bears, and spans longer than any record."""
    for date in DATES:
        yield f"failure {date}", changed("2031-03-14T05:20:00Z", date)
        yield f"observation {date}", CASE + f'[[observation]]\ntime = {date}\ntext = "seen"\n'
        yield f"measurement {date}", CASE + f'[[measurement]]\ntime = {date}\nkind = "oil_moisture"\nvalue = 1.0\n'
        check = f"[[source.clock_check]]\nat = {date}\ntrue_time = 2031-03-16T09:00:00Z\n"
        yield f"clock check {date}", changed("[[point]]", check + "[[point]]")
    for span in DURATIONS:
        yield f"window_before {span[:20]}", changed('window_before = "1h"', f"window_before = {span}")
        yield f"window_after {span[:20]}", changed('window_after = "10min"', f"window_after = {span}")
        yield f"history {span[:20]}", changed('window_after = "10min"', f"history = {span}")
        yield f"hold {span[:20]}", changed('unit = "A"\n', f'unit = "A"\nhold = {span}\n')


def texts() -> Iterator[tuple[str, str]]:
    """Controls and endless texts where one line is asked for; zones that are paths."""
    for key in LINES:
        base = CASE.replace('title = "Stops at night"\n', "").replace('site = "Hall 3"\n', "")
        for sign in CONTROLS:
            yield f"{key} {sign}", base.replace("[machine]", f'{key} = "a{sign}b"\n[machine]', 1)
    for zone in (
        "../../etc/passwd",
        "/etc/localtime",
        "America",
        "a\\u0000b",
        "x" * 100_000,
        "+99:99",
        "-24:00",
        "",
        ".",
    ):
        yield f"zone {zone[:20]}", changed('time_zone = "UTC"', f'time_zone = "{zone}"')
    yield "id long", changed('id = "hall-3"', f'id = "{"h" * 5000}"')
    yield "id path", changed('id = "hall-3"', 'id = "../hall"')
    yield "title long", changed("Stops at night", "n" * 1_000_000)
    yield "revision huge", changed('window_before = "1h"', 'window_before = "1h"\nrevision = 9223372036854775808')
    yield "role long", changed('role = "motor_amps"', f'role = "{"m" * 100_000}"')
    yield "unit long", changed('unit = "A"', f'unit = "{"A" * 100_000}"')


def shapes() -> Iterator[tuple[str, str]]:
    """Files that are deep, wide or long: each must be answered in bounded time."""
    yield "deep lists", "x = " + "[" * 50_000
    yield "deep closed lists", "x = " + "[" * 3_000 + "]" * 3_000
    yield "deep tables", "x = " + "{a=" * 50_000
    yield "dotted key", ".".join("a" * 100_000) + " = 1"
    yield "integer of 5 000 digits", CASE + '[[fact]]\nwhat = "x"\nvalue = ' + "9" * 5_000
    yield "integer of 100 000 digits", "x = " + "9" * 100_000
    yield "million tables", "[[fact]]\n" * 220_000
    yield "unknown keys", CASE.replace("[machine]", "".join(f"key_{n} = 1\n" for n in range(20_000)) + "[machine]", 1)
    yield "unknown tables", CASE + "".join(f"[t{n}]\na = 1\n" for n in range(20_000))
    yield "sources", CASE + "".join(f'[[source]]\npath = "{n}.csv"\n' for n in range(20_000))
    yield "sources below the limit", CASE + "".join(f'[[source]]\npath = "{n}.csv"\n' for n in range(1_900))
    yield (
        "sources in bad zones",
        CASE + "".join(f'[[source]]\npath = "{n}.csv"\ntime_zone = "Z{n}"\n' for n in range(1_900)),
    )
    yield "bad facts", CASE + '[[fact]]\nwhat = "x"\n' * 20_000
    yield "wrong roles", CASE + "".join(f'[[point]]\nrole = "r{n}"\ncolumn = "c"\n' for n in range(1_900))
    yield "unknown limits", CASE + "".join(_limit(f"clocks.x{n}", "1") for n in range(1_900))
    yield "observations", CASE + '[[observation]]\ntext = "seen"\n' * 50_000
    yield "photos", CASE + "".join(f'[[observation]]\ntext = "s"\nphoto = "p{n}.jpg"\n' for n in range(1_900))
    yield "one long line", "a" * 3_000_000
    yield "no TOML", "\x7fELF" * 100_000
    yield "spaces", "[" + " " * 200_000 + "x"
    yield "equal signs", "= " * 200_000


ENCODINGS = (
    "zip",
    "zlib",
    "hex",
    "base64",
    "rot13",
    "uu",
    "quopri",
    "bz2",
    "idna",
    "punycode",
    "unicode_escape",
    "charmap",
    "raw_unicode_escape",
    "undefined",
    "a\\u0000b",
    "no-such",
    "utf-8\\n",
    "../x",
    "x" * 10_000,
)
CODECS = (
    "utf-8",
    "utf-16",
    "utf-32",
    "utf-7",
    "cp1252",
    "cp037",
    "latin-1",
    "big5",
    "shift_jis",
    "gb18030",
    "ascii",
    "utf-8-sig",
    "utf-16-be",
    "iso2022_jp",
    "hz",
    "mac_roman",
)
DELIMITERS = ("é", "\\u0000", ",,", "ab", "a", "7", '\\"', "\\n", "\\r", "\\u001f", "\\u2028", "🂡", ";;;;")
MARKS = (",", ";", "\\t", "|", " ", ":", ".", "-", "/", "'", "\\\\", "#", "~", "(")
OTHERS = (
    'decimal = "x"',
    'thousands = "xx"',
    'date_order = "YDM"',
    'time_number = "unix"',
    'kind = "video"',
    'layout = "tall"',
    'time_column = ["Time", "Time", "Time", "Time", "Time", "Time", "Time", "Time", "Time", "Time", "Time"]',
    'time_zone = "+24:00"',
    'time_zone = "Mars/Olympus"',
    'sha256 = "12"',
    "sheet = 3",
    "on = [1]",
    'measured_at = "roof"',
    'waveform_time = "both"',
    'clock = "a\\u0000b"',
    'kind = "waveform"',
    "encoding = 8",
    "delimiter = 44",
)
PLAUSIBLE = (
    "time_column = []",
    'decimal = ","',
    'thousands = ","',
    'thousands = "."',
    'date_order = "DMY"',
    'time_number = "unix-ns"',
    'time_number = "days-1904"',
    'kind = "events"',
    'layout = "long"',
    'point_column = "Amps"\nvalue_column = "Slide"',
    'text_column = "Amps"\nkind = "events"',
    'sheet = "x"',
    'time_zone = "+14:00"',
    'time_zone = "Pacific/Apia"',
    'on = ["50.0"]',
    'off = ["On"]\non = ["On"]',
    'unknown = ["Off", "On"]',
    'point_column = "no such"',
    'decimal = ","\ndelimiter = ","',
    'thousands = ","\ndecimal = ","',
    'delimiter = ";"\nlayout = "long"',
)


def _source(line: str) -> str:
    key = line.partition(" ")[0]
    base = CASE
    for given in ('kind = "trend"\n', 'time_column = "Time"\n'):
        if given.startswith(f"{key} ") or f"\n{given.partition(' ')[0]} " in line:
            base = base.replace(given, "", 1)
    return base.replace('path = "exports/trend.csv"\n', f'path = "exports/trend.csv"\n{line}\n', 1)


def source_keys_refused() -> Iterator[tuple[str, str]]:
    """Values of a source's keys that can never be meant."""
    for name in ENCODINGS:
        yield f"encoding {name[:20]}", _source(f'encoding = "{name}"')
    for mark in DELIMITERS:
        yield f"delimiter {mark}", _source(f'delimiter = "{mark}"')
    for line in OTHERS:
        if line != 'kind = "waveform"':
            yield line[:40], _source(line)


def source_keys_possible() -> Iterator[tuple[str, str]]:
    """Values that may be meant, but not of this export: a result or a problem, never a fault of the program."""
    for name in CODECS:
        yield f"encoding {name}", _source(f'encoding = "{name}"')
    for mark in MARKS:
        yield f"delimiter {mark}", _source(f'delimiter = "{mark}"')
    for line in (*PLAUSIBLE, 'kind = "waveform"'):
        yield line[:40].replace("\n", " "), _source(line)


def many_points() -> str:
    """Points that are in no column: each is left out, in bounded time."""
    point = '[[point]]\nrole = "motor_amps"\ncolumn = "c{}"\nunit = "A"\n'
    return CASE + "".join(point.format(n) for n in range(1_900))
