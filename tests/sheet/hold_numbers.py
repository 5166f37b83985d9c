"""Holds every number of a test sheet against where it says that it comes from, by arithmetic of its own.

python tests/sheet/hold_numbers.py SHEET.html FIGURES.json --units UNIT [--card CARD.toml] [--run RUN_FOLDER]...
    [--file FILE]... [--any-digest]

FIGURES.json is what `drawdown reduce --json` prints. Every `data` element names a path there (or in a run's `run.json`, or a key of
the card); its `value` must be the number there, its text that number in its unit, rounded anew here by the Particle Data Group's rule
(Review of Particle Physics, introduction, "Rounding") in decimal arithmetic. No digit may stand outside an element that says where
it comes from. Then the sheet is spoilt in several ways, and each must be found. Knows nothing of how the sheet is made.
"""

import argparse
import hashlib
import json
import re
import sys
import tomllib
from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal
from html.parser import HTMLParser
from pathlib import Path

VOID = {"meta", "br", "hr", "img", "input", "link", "wbr", "col"}
# Elements whose digits are no number of the sheet's: names, digests and commands; drawings; what a browser does not show.
APART = {"code", "svg", "title", "style"}
# Classes of the sheet's own fixed words, of a row's number, and of what a plot shows in words.
WORDS = {"word", "row", "plot-words"}
MILE_KM = Decimal("1.609344")  # international yard and pound agreement, 1959
VEHICLE_NUMBER = re.compile(r"(?<![0-9A-Za-z])[A-HJ-NPR-Z0-9]{15}[0-9]{2}(?![0-9A-Za-z])")


class Reader(HTMLParser):
    """The elements that carry a number or a word of others, and every digit that stands in none."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.open, self.found, self.stray = [], [], []
        self.feed(text)
        self.close()
        assert not self.open, f"not closed: {self.open}"

    def handle_starttag(self, tag, attrs):
        if tag not in VOID:
            self.open.append((tag, dict(attrs), []))

    def handle_endtag(self, tag):
        name, attrs, texts = self.open.pop()
        assert name == tag, f"<{name}> is closed by </{tag}>"
        text = "".join(texts)
        if self.open:
            self.open[-1][2].append(text)
        if tag in ("data", "time") or is_said(attrs) or "digest" in classes(attrs):
            self.found.append((tag, attrs, text))

    def handle_data(self, data):
        if not self.open and not data.strip():
            return
        self.open[-1][2].append(data)
        if re.search("[0-9]", data) and not any(known(tag, attrs) for tag, attrs, _ in self.open):
            self.stray.append(data.strip())


def classes(attrs):
    return set((attrs.get("class") or "").split())


def is_said(attrs):
    return "said" in classes(attrs)


def known(tag, attrs):
    named = any(key in attrs for key in ("data-of", "data-card", "data-from"))
    return tag in APART or classes(attrs) & WORDS or ((tag in ("data", "time") or is_said(attrs)) and named)


def at(value, path):
    for key in path.split("."):
        value = value[int(key)] if isinstance(value, list) else value[key]
    return value


def exponent(number):
    """The power of ten of the first digit."""
    return number.copy_abs().adjusted()


def fixed(value, place, rounding):
    rounded = value.quantize(Decimal(1).scaleb(place), rounding=rounding)
    text = format(rounded, "f")
    return text[1:] if re.fullmatch(r"-[0.]+", text) else text


def at_place(value, place):
    """Above the units a half is rounded away from 0, below them to the even digit, as the decimals of a binary number are printed."""
    return fixed(value, place, ROUND_HALF_UP if place > 0 else ROUND_HALF_EVEN)


def significant(value, digits):
    return at_place(value, exponent(value) - digits + 1 if value else 0)


def trimmed(text):
    return text.rstrip("0").rstrip(".") if "." in text else text


def figure(value, u95, unit):
    unit = f" {unit}" if unit else ""
    if u95 == 0:
        return f"{at_place(value, min(exponent(value) - 2 if value else 0, 0))} ± 0{unit}"
    first = exponent(u95)
    leading = (u95.scaleb(-first) * 100).quantize(Decimal(1), rounding=ROUND_HALF_UP)
    if leading < 355:
        place = first - 1
    elif leading < 950:
        place = first
    else:
        u95, place = Decimal(10).scaleb(first), first
    return f"{at_place(value, place)} ± {at_place(u95, place)}{unit}"


def duration(value):
    whole = int(value.copy_abs().quantize(Decimal(1), rounding=ROUND_HALF_UP))
    sign = "-" if value < 0 and whole else ""
    return f"{sign}{whole // 3600}:{whole // 60 % 60:02}:{whole % 60:02}"


def seconds(value):
    return f"{significant(value, 2)} s" if abs(value) < Decimal("59.5") else duration(value)


def degrees(value):
    text = fixed(value, -1, ROUND_HALF_EVEN)
    return text.removesuffix(".0") + " °C"


def shown(path, value, unit):
    """A value of the JSON in the unit that the sheet writes, by the unit in which its key ends."""
    keys = [key for key in path.split(".") if not key.isdigit()]
    key = keys[-1] if keys[-1] not in ("value", "u") else keys[-2]
    if keys[0] == "budgets" and keys[-1] == "input_u":
        assert unit in ("", "%"), (path, unit)
        return value * 100 if unit else value
    same = {"kWh": "kwh", "Ah": "ah", "kW": "kw", "W": "w", "°C": "degc", "hPa": "hpa", "m": "m", "A": "a", "N": "n", "m/s": "mps",
            "kg/m³": "kg_per_m3", "N/(m/s)": "n_per_mps", "N/(m/s)²": "n_per_mps2", "km": "km", "km/h": "kmh", "Wh/km": "wh_per_km"}
    ends = lambda unit: key == unit or key.endswith("_" + unit) or key.startswith(unit + "_")
    if unit == "%":
        return value if ends("percent") else value * 100
    if unit == "":
        return value
    if unit == "min":
        assert ends("s"), path
        return value / 60
    if unit == "mi":
        assert ends("km"), path
        return value / MILE_KM
    if unit == "mph":
        assert ends("kmh"), path
        return value / MILE_KM
    if unit == "kWh/100 km":
        assert ends("wh_per_km"), path
        return value / 10
    if unit == "Wh/mi":
        assert ends("wh_per_km"), path
        return value * MILE_KM / 1
    if unit == "mi/kWh":
        assert ends("wh_per_km"), path
        return 1000 / (value * MILE_KM)
    assert ends(same[unit]), f"{path} is shown in {unit}"
    return value


def check_number(document, attrs, text, units):
    path, form = attrs["data-of"], attrs["data-form"]
    found = at(document, path)
    u95 = None
    if form == "figure":
        found, u95 = found["value"], found["u95"]
    assert not isinstance(found, bool) and isinstance(found, (int, float)), f"{path} is {found}"
    assert float(attrs["value"]) == float(found), f"{path}: {attrs['value']} is not {found}"
    value = Decimal(found)
    unit = re.sub(r"^-?[0-9.]+( ± [0-9.]+)? ?", "", text)
    if form == "figure":
        kind = re.search("wh_per_km$", path) and "difference" not in path
        assert not kind or unit == units, f"{path} is shown in {unit}, not {units}"
        in_unit = shown(path, value, unit)
        # A proportional unit, and the reciprocal to the first order, keep the relative uncertainty.
        scaled = Decimal(u95) * (abs(in_unit / value) if value else shown(path, Decimal(1), unit))
        expected = figure(in_unit, scaled, unit)
    elif form.startswith("digits-") or form.startswith("said-"):
        number = significant(shown(path, value, unit), int(form.split("-")[1]))
        number = trimmed(number) if form.startswith("said-") else number
        expected = f"{number} {unit}".strip()
    else:
        forms = {
            "percent": lambda: trimmed(fixed(value, -2, ROUND_HALF_EVEN)) + " %",
            "share": lambda: "0 %" if value == 0 else f"{significant(value * 100, 2)} %",
            "duration": lambda: duration(value),
            "time": lambda: seconds(value),
            "temperature": lambda: degrees(value),
            "count": lambda: f"{int(value):,}".replace(",", " "),
        }
        expected = forms[form]()
    assert text == expected, f"{path}: it says '{text}', and {found} is '{expected}'"


def check_words(said, text):
    """The words of others, whole, but for vehicle numbers and for folders from the root of a disk."""
    assert not VEHICLE_NUMBER.search(text), f"a vehicle number: {text}"
    said = VEHICLE_NUMBER.sub("(vehicle number removed)", said)
    assert text == said or "/" in said, f"it says '{text}', not '{said}'"


def check_moment(iso, attrs, text):
    assert attrs["datetime"] == iso, f"{attrs['datetime']} is not {iso}"
    expected = re.sub(r"(\.[0-9]+)?Z$", " UTC", iso.replace("T", " "))
    assert text == expected, f"'{text}' is not {iso}"


def blake3(data):
    # Not among what Python brings; without a file to hold digests against nobody asks.
    from blake3 import blake3 as of

    return of(data).hexdigest()


def check(html, figures, units, card=None, runs=None, digests=()):
    """Everything; gives how many numbers and words there were. Ends with an AssertionError at the first that is wrong."""
    reader = Reader(html)
    assert not reader.stray, f"digits that come from nowhere: {reader.stray[:5]}"
    numbers = words = 0
    for tag, attrs, text in reader.found:
        if "digest" in classes(attrs):
            assert not digests or text in digests, f"no file has the digest {text}"
            continue
        if attrs.get("data-from"):
            assert attrs["data-from"] in ("card-faults", "course"), attrs
            continue
        if "data-card" in attrs:
            written = at(card, attrs["data-card"])
            if tag == "data":
                assert float(text) == float(written) == float(attrs["value"]), f"{attrs['data-card']}: {text} is not {written}"
                numbers += 1
            elif tag == "time":
                assert re.findall("[0-9]+", str(written))[:3] == re.findall("[0-9]+", text)[:3], f"{text} is not {written}"
            else:
                check_words(written, text)
            continue
        name = attrs.get("data-document")
        document = runs[name] if name else figures
        if tag == "data":
            check_number(document, attrs, text, units)
            numbers += 1
        elif tag == "time":
            check_moment(at(document, attrs["data-of"]), attrs, text)
        else:
            check_words(at(document, attrs["data-of"]), text)
            words += 1
    return numbers, words


def must_fail(spoilt, html, what, *rest):
    assert spoilt != html, f"nothing to spoil: {what}"
    try:
        check(spoilt, *rest)
    except (AssertionError, KeyError, IndexError, TypeError):
        return
    raise SystemExit(f"hold_numbers.py: {what} is not found")


def spoil(html, *rest):
    """Ways in which a sheet of a drive could lie; each must be found."""
    if not re.search('data-of="distance_km"[^>]*>[0-9]', html):
        return
    number = re.search(r'(<data [^>]*data-form="figure"[^>]*>)([^<]*?)([0-9])( ± [^<]*</data>)', html)
    other = str((int(number[3]) + 1) % 10)
    must_fail(html.replace(number[0], number[1] + number[2] + other + number[4], 1), html, "another digit", *rest)
    must_fail(re.sub(r'data-of="energy\.net_kwh"', 'data-of="distance_km"', html, count=1), html, "another figure's path", *rest)
    must_fail(re.sub(r' value="[0-9.]+" data-of="distance_km"', ' value="1" data-of="distance_km"', html, count=1), html, "another value", *rest)
    must_fail(re.sub(r"<data [^>]*>([^<]*)</data>", r"\1", html, count=1), html, "a number without a source", *rest)
    must_fail(html.replace("</h2>", " 17.3 kWh</h2>", 1), html, "a number put in", *rest)
    must_fail(re.sub(r"(data-of=\"consumption_wh_per_km\"[^>]*>[^/]*)( (?:kWh/100 km|mi/kWh|Wh/km|Wh/mi))", r"\1 Wh/h", html, count=1), html, "another unit", *rest)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("sheet", type=Path)
    parser.add_argument("figures", type=Path)
    parser.add_argument("--units", required=True)
    parser.add_argument("--card", type=Path)
    parser.add_argument("--run", type=Path, action="append", default=[])
    parser.add_argument("--file", type=Path, action="append", default=[])
    parser.add_argument("--any-digest", action="store_true", help="no file is at hand to hold the digests against")
    parser.add_argument("--at-least", type=int, default=15)
    given = parser.parse_args()
    html = given.sheet.read_text()
    figures = json.loads(given.figures.read_text())
    card = tomllib.loads(given.card.read_text()) if given.card else None
    # Recordings and tables are told by BLAKE3, all else by SHA-256 (docs/data-set.md).
    sha256 = lambda data: hashlib.sha256(data).hexdigest()
    runs, digests = {}, {digest(path.read_bytes()) for path in given.file for digest in (sha256, blake3)}
    for folder in given.run:
        run = json.loads((folder / "run.json").read_text())
        runs[f"{folder.name}/run.json"] = run
        files = sorted((folder / "source-files").iterdir())
        # The map's bytes followed by its DBC's (docs/data-set.md).
        by_kind = sorted((path for path in files if path.suffix in (".toml", ".dbc")), key=lambda path: path.suffix, reverse=True)
        digests.add(sha256(b"".join(path.read_bytes() for path in by_kind)))
        digests |= {blake3(path.read_bytes()) for path in (folder / "trace").iterdir()}
    rest = (figures, given.units, card, runs, () if given.any_digest else digests)
    try:
        numbers, words = check(html, *rest)
    except AssertionError as wrong:
        sys.exit(f"{given.sheet}: {wrong}")
    assert numbers >= given.at_least, f"{given.sheet}: only {numbers} numbers"
    spoil(html, *rest)
    print(f"{given.sheet}: {numbers} numbers and {words} words hold")


main()
