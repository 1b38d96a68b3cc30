"""Opens a report in Chromium and does what a reader does; every check prints a line, the exit code says whether all held.

    page.py RUN [--page FILE] [--only NAME,NAME...] [--pictures FOLDER] [--names FILE]

RUN is a run folder; --page names a page other than its report.html, for planted faults; --names a JSON of names that must stand on the page. The numbers of the page are held against the tables and
rasters of the run, read by others: csv, rasterio (GDAL), pyproj (PROJ). Accessibility: axe-core (Deque Systems), from PyPI's
axe-playwright-python. The browser is Debian's Chromium; LENTIC_CHROMIUM names another.
"""

import argparse
import csv
import io
import json
import os
import re
import shutil
import sys
from pathlib import Path

import numpy as np
import pyproj
import rasterio
from axe_playwright_python.sync_playwright import Axe
from PIL import Image
from playwright.sync_api import sync_playwright
from pypdf import PdfReader

WIDE = {"width": 1400, "height": 900}
NARROW = {"width": 390, "height": 844}
CHECKS = {}


def check(name):
    def keep(function):
        CHECKS[name] = function
        return function

    return keep


def held(condition, words):
    if not condition:
        raise AssertionError(words)


class Reader:
    """A page in a browser, and what it did that it should not."""

    def __init__(self, browser, file, run, size, names):
        self.run, self.file, self.names = run, file, names
        self.context = browser.new_context(viewport=size, accept_downloads=True)
        self.page = self.context.new_page()
        self.noise, self.requests = [], []
        self.page.on("console", lambda said: self.noise.append(f"{said.type}: {said.text}"))
        self.page.on("pageerror", lambda error: self.noise.append(f"error: {error}"))
        self.page.on("dialog", lambda dialog: (self.noise.append(f"dialog: {dialog.message}"), dialog.dismiss()))
        self.page.on("request", lambda asked: self.requests.append(asked.url))
        self.page.goto(file.as_uri())
        self.page.wait_for_load_state()

    def js(self, text, argument=None):
        return self.page.evaluate(text, argument)

    def data(self, name):
        return json.loads(self.page.locator(f"#{name}").text_content())

    def choose(self, control, value):
        self.page.locator(control).select_option(value)

    def slide(self, control, value):
        self.js("([c, v]) => { const e = document.querySelector(c); e.value = v; e.dispatchEvent(new Event('input', {bubbles: true})); }", [control, str(value)])

    def picture(self, locator="#map-view"):
        """Pixels of a part of the page, rows x columns x 3."""
        self.page.wait_for_timeout(120)
        return np.asarray(Image.open(io.BytesIO(self.page.locator(locator).screenshot())).convert("RGB")).astype(int)

    def at(self, easting, northing):
        """A point of the map on the screen, now."""
        return self.js(
            """([e, n]) => { const d = JSON.parse(document.getElementById('map-data').textContent), b = document.getElementById('map-view').getBoundingClientRect();
            const p = report.map.latLngToContainerPoint([n - d.bounds[1], e - d.bounds[0]]); return [b.left + p.x, b.top + p.y]; }""",
            [easting, northing],
        )

    def to_map(self):
        self.page.locator("#map-view").scroll_into_view_if_needed()
        self.page.evaluate("document.getElementById('map-view').scrollIntoView({block: 'center', behavior: 'instant'})")

    def close(self):
        self.context.close()


def table(run, name):
    with open(run / "tables" / f"{name}.csv", newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def layers_of(reader, group):
    return [layer for layer in reader.data("map-data")["layers"] if layer["group"] == group]


@check("layers")
def layers(reader):
    """Every layer can be shown, and is."""
    page, layers = reader.page, reader.data("map-data")["layers"]
    shown = page.locator(".leaflet-overlay-pane img.cells")
    groups = list(dict.fromkeys(layer["group"] for layer in layers))
    held(len(groups) >= 5, f"only {groups}")
    for group in groups:
        reader.choose("#map-group", group)
        members = [layer for layer in layers if layer["group"] == group]
        while page.locator("#map-back").is_visible() and page.locator("#map-back").is_enabled():
            page.locator("#map-back").click()
        for place, layer in enumerate(members):
            held(shown.get_attribute("src") == layer["picture"], f"{layer['title']} does not show its picture")
            held(page.locator("#map-title").text_content() == layer["title"], f"{layer['title']} has another title")
            legend = page.locator("#map-legend").text_content()
            held(group in legend and all(c["name"] in legend for c in layer["classes"]), f"legend of {layer['title']}: {legend}")
            held(reader.js("i => i.naturalWidth", shown.element_handle()) == layer["width"], "the picture is not drawn")
            if place + 1 < len(members):
                page.locator("#map-on").click()
    reader.slide("#map-opacity", 40)
    held(float(reader.js("i => getComputedStyle(i).opacity", shown.element_handle())) == 0.4, "opacity does nothing")
    reader.slide("#map-opacity", 100)
    reader.choose("#map-under", layers[0]["id"])
    held(page.locator(".leaflet-beneath-pane img").get_attribute("src") == layers[0]["picture"], "nothing lies beneath")
    reader.choose("#map-under", "")
    held(page.locator(".leaflet-beneath-pane img").count() == 0, "what lay beneath stays")


@check("zoom")
def zoom(reader):
    """Buttons, keys and mouse zoom and move; the scale bar follows."""
    page = reader.page
    reader.to_map()
    scale = lambda: (page.locator("#map-scale span").text_content(), page.locator("#map-scale div").bounding_box()["width"])
    zoomed = lambda: reader.js("report.map.getZoom()")
    middle = lambda: reader.js("[report.map.getCenter().lat, report.map.getCenter().lng]")
    metres = lambda text: float(text.split()[0]) * (1000 if text.endswith("km") else 1)
    page.locator("#map-all").click()
    whole, first = zoomed(), scale()
    held(page.locator("#map-out").is_disabled(), "one can zoom out of the whole")
    bounds = reader.data("map-data")["bounds"]
    for _ in range(3):
        page.locator("#map-in").click()
        words, width = scale()
        left, right = reader.at(bounds[0], bounds[1])[0], reader.at(bounds[2], bounds[1])[0]
        expected = metres(words) / (bounds[2] - bounds[0]) * (right - left)
        # the bar has a border of 2 pixels within its width
        held(abs(expected - width) < 1.5, f"{words} is drawn {width} pixels wide, not {expected:.1f}")
    held(zoomed() > whole, "the button does not zoom")
    page.locator("#map-view").focus()
    before = zoomed()
    page.keyboard.press("-")
    held(zoomed() < before, "the key does not zoom")
    place = middle()
    page.keyboard.press("ArrowRight")
    page.wait_for_timeout(500)
    held(middle()[1] > place[1], "the arrow key does not move the map")
    place, box = middle(), page.locator("#map-view").bounding_box()
    page.mouse.move(box["x"] + 300, box["y"] + 200)
    page.mouse.down()
    page.mouse.move(box["x"] + 380, box["y"] + 200, steps=5)
    page.mouse.up()
    held(middle()[1] < place[1], "the mouse does not move the map")
    page.keyboard.press("0")
    held(zoomed() == whole and scale() == first, "0 does not show all")


@check("swipe")
def swipe(reader):
    """Left of the divider the layer compared with, right of it the one chosen; by slider, keys and mouse."""
    page = reader.page
    reader.to_map()
    reader.choose("#map-group", "Suitability")
    members = layers_of(reader, "Suitability")
    held(len(members) > 1, "nothing to compare")
    while page.locator("#map-back").is_enabled():
        page.locator("#map-back").click()
    baseline = reader.picture()
    page.locator("#map-on").click()
    scenario = reader.picture()
    held(np.abs(baseline - scenario).max() > 30, "baseline and scenario look alike")
    reader.choose("#map-compare", members[0]["id"])
    wide = baseline.shape[1]
    # tools, labels and the handle lie over the map: compare rows without them
    rows = slice(int(baseline.shape[0] * 0.3), int(baseline.shape[0] * 0.44))
    low = slice(int(baseline.shape[0] * 0.56), int(baseline.shape[0] * 0.9))
    for share in [10, 50, 90]:
        reader.slide("#map-swipe", share)
        now, split = reader.picture(), int(wide * share / 100)
        for part in (rows, low):
            free = 60 if part is rows else 250
            for side, picture, columns in [("left", baseline, slice(free, split - 16)), ("right", scenario, slice(split + 16, wide - free))]:
                if columns.stop > columns.start:
                    off = np.abs(now[part, columns] - picture[part, columns]).max()
                    held(off < 12, f"at {share} % the {side} side differs by {off}")
    page.locator("#map-swipe").focus()
    place = page.locator("#map-divider").bounding_box()["x"]
    page.keyboard.press("ArrowLeft")
    held(page.locator("#map-divider").bounding_box()["x"] < place, "the key does not move the divider")
    held("%" in page.locator("#map-swipe").get_attribute("aria-valuetext"), "the slider tells nothing")
    box = page.locator("#map-divider").bounding_box()
    held(box["height"] > 100, "the divider is not there")
    page.mouse.move(box["x"] + 14, box["y"] + box["height"] / 2)
    page.mouse.down()
    page.mouse.move(box["x"] - 200, box["y"] + box["height"] / 2, steps=4)
    page.mouse.up()
    held(abs(page.locator("#map-divider").bounding_box()["x"] - (box["x"] - 214)) < wide / 100 + 2, "the mouse does not move the divider")
    reader.choose("#map-compare", "")
    held(not page.locator("#map-divider").is_visible(), "the divider stays")
    held(np.abs(reader.picture()[rows, 60:-60] - scenario[rows, 60:-60]).max() < 12, "the scenario does not come back whole")


@check("readout")
def readout(reader):
    """Coordinates, latitude and longitude and values under the pointer are those of the raster."""
    page, grid = reader.page, reader.data("map-data")
    reader.to_map()
    page.locator("#map-all").click()
    reader.choose("#map-group", "Suitability")
    while page.locator("#map-back").is_enabled():
        page.locator("#map-back").click()
    with rasterio.open(reader.run / "rasters" / "suitability_baseline.tif") as raster:
        values, crs, transform = raster.read(1, masked=True).filled(np.nan), raster.crs, raster.transform
    geographic = pyproj.CRS.from_wkt(crs.to_wkt()).geodetic_crs
    to_degrees = pyproj.Transformer.from_crs(crs.to_wkt(), geographic, always_xy=True)
    told = 0
    filled = np.argwhere(np.isfinite(values) & (values > 0.1))
    for row, col in filled[:: max(1, len(filled) // 12)]:
        east, north = transform * (col + 0.5, row + 0.5)
        page.mouse.move(*reader.at(east, north))
        page.wait_for_timeout(60)
        words = page.locator("#map-readout").inner_text()
        found = re.search(r"about (-?\d+(?:\.\d+)?)", words)
        where = re.search(r"(-?[\d,]+)\s*m E, (-?[\d,]+)\s*m N", words)
        held(found and where, f"reads {words!r}")
        # the ramp has 254 steps, the value two figures
        held(abs(float(found[1]) - values[row, col]) < 0.01, f"{found[1]} where the raster has {values[row, col]}")
        cell = grid["cell_m"]
        for text, true in zip(where.groups(), (east, north)):
            held(abs(float(text.replace(",", "")) - true) <= cell / 2, f"{text} where it is {true}")
        degrees = re.search(r"([\d.]+)° ([NS]), ([\d.]+)° ([EW])", words)
        held(degrees, f"no latitude in {words!r}")
        lat = float(degrees[1]) * (1 if degrees[2] == "N" else -1)
        lon = float(degrees[3]) * (1 if degrees[4] == "E" else -1)
        true_lon, true_lat = to_degrees.transform(east, north)
        # half a cell of pointing, and the last of four figures
        limit = 1e-4 + cell / 111_000
        held(abs(lat - true_lat) < limit and abs(lon - true_lon) < limit / np.cos(np.radians(true_lat)), f"{lat}, {lon} where it is {true_lat}, {true_lon}")
        told += 1
    held(told >= 8, f"only {told} places told")


@check("patches")
def patches(reader):
    """A click on a patch shows its own row; a number in a table shows the patch."""
    page, data, rows = reader.page, reader.data("patch-data"), {}
    for row in table(reader.run, "patches"):
        if row["scenario"] == "baseline":
            rows[row["patch"]] = row
    held(rows and set(data["rows"]) == set(rows), "the page knows other patches than the table")
    # which cells belong to a patch, from the polygons of the run, burnt by GDAL
    numbers = reader.js(
        """() => { const d = JSON.parse(document.getElementById('patch-data').textContent), i = new Image(); i.src = d.picture;
        return i.decode().then(() => { const c = document.createElement('canvas'); c.width = d.width; c.height = d.height; const g = c.getContext('2d');
        g.drawImage(i, 0, 0); const b = g.getImageData(0, 0, d.width, d.height).data, n = [];
        for (let k = 0; k < b.length; k += 4) n.push(b[k] * 65536 + b[k + 1] * 256 + b[k + 2]); return n; }); }"""
    )
    numbers = np.array(numbers).reshape(data["height"], data["width"])
    with rasterio.open(reader.run / "rasters" / "suitability_baseline.tif") as raster:
        transform = raster.transform
    bounds = reader.data("map-data")["bounds"]
    cells = data["pixel_m"] ** 2 / 10_000
    reader.to_map()
    for number, row in list(rows.items())[:6]:
        spots = np.argwhere(numbers == int(number))
        # as many cells as the table has hectares, where a pixel is a cell
        if data["pixel_m"] == transform.a:
            held(abs(len(spots) * cells - float(row["area_ha"])) < 1e-6 * float(row["area_ha"]), f"patch {number} is drawn {len(spots) * cells} ha large, not {row['area_ha']}")
        middle = spots[len(spots) // 2]
        page.locator("#map-all").click()
        page.mouse.click(*reader.at(bounds[0] + (middle[1] + 0.5) * data["pixel_m"], bounds[3] - (middle[0] + 0.5) * data["pixel_m"]))
        page.wait_for_function("document.getElementById('patch-title').textContent !== ''")
        held(page.locator("#patch-title").text_content() == f"Patch {number} of the baseline", f"a click on patch {number} shows {page.locator('#patch-title').text_content()}")
        shown = page.locator("#patch-row div", has=page.locator("dt", has_text=re.compile(r"^area \(ha\)$"))).locator("dd").text_content()
        held(abs(float(shown.replace(",", "")) / float(row["area_ha"]) - 1) < 1e-3, f"patch {number} has {row['area_ha']} ha, the page says {shown}")
        held(page.locator(".leaflet-mark-pane path").count() >= 2, "the patch has no outline")
    link = page.locator("#patch-more")
    held(link.is_visible(), "no way to the row")
    link.click()
    number = page.locator("#map-patch").input_value()
    own = page.locator(f"#patch-{number}")
    held(own.is_visible() and own.evaluate("e => e.classList.contains('chosen')"), "the row is not shown")
    held(own.evaluate("e => e.contains(document.activeElement)"), "the keyboard does not come along")
    # back again by key, from another row
    other = next(n for n in rows if n != number)
    page.locator(f"#patch-{other} a.to-map").focus()
    page.keyboard.press("Enter")
    held(page.locator("#patch-title").text_content() == f"Patch {other} of the baseline", "the table does not lead to the map")
    held(page.evaluate("document.activeElement.id") == "map-view", "the map has not the focus")
    page.locator("#map-patch").fill("999999")
    page.locator("#map-patch").press("Enter")
    held("no such patch" in page.locator("#patch-note").text_content(), "a wrong number goes unsaid")
    page.locator("#patch-close").click()
    held(not page.locator("#patch-card").is_visible(), "the row stays")


def cells_of(reader, name, column):
    return reader.js(
        """([name, column]) => { const t = document.querySelector(`table[data-name="${name}"]`);
        const at = [...t.tHead.rows[0].cells].findIndex(c => c.dataset.name === column);
        return [...t.tBodies[0].rows].map(r => r.cells[at].hasAttribute('data-missing') ? null : r.cells[at].dataset.value ?? r.cells[at].textContent); }""",
        [name, column],
    )


@check("tables")
def tables(reader):
    """Every table opens; a heading sorts numbers as numbers, missing ones last; the download is the table of the run."""
    page = reader.page
    page.evaluate("document.querySelectorAll('details.table').forEach(d => d.open = true)")
    names = page.locator("table[data-name]").evaluate_all("all => all.map(t => t.dataset.name)")
    held(len(names) > 15, f"only {names}")
    captions = page.locator("details.table > summary").all_text_contents()
    for place, caption in enumerate(captions, 1):
        held(caption.startswith(f"Table {place}. "), f"{caption!r} is not number {place}")
    for name, column in [("patches", "area_ha"), ("patches", "nearest_neighbour_m"), ("habitat_area", "scenario")]:
        heading = page.locator(f'table[data-name="{name}"] th[data-name="{column}"]')
        for order, turn in [("ascending", 1), ("descending", -1)]:
            heading.locator("button").click()
            held(heading.get_attribute("aria-sort") == order, f"{column} does not say {order}")
            cells = cells_of(reader, name, column)
            there = [cell for cell in cells if cell is not None]
            key = (lambda cell: cell) if column == "scenario" else float
            held(cells[: len(there)] == there, "missing ones stand between")
            held([key(c) for c in there] == sorted(map(key, there), reverse=turn < 0), f"{name}.{column} is not {order}")
    for name in ["habitat_area", "patches", "refuges"]:
        with page.expect_download() as started:
            page.locator(f'button.download[data-table="{name}"]').click()
        text = Path(started.value.path()).read_text(encoding="utf-8")
        held(started.value.suggested_filename == f"{name}.csv", started.value.suggested_filename)
        found, expected = list(csv.DictReader(io.StringIO(text))), table(reader.run, name)
        held(list(found[0]) == list(expected[0]), f"{name}: other columns")
        held(len(found) == min(len(expected), 300), f"{name}: {len(found)} rows of {len(expected)}")
        same = lambda a, b: a == b or (a and b and re.fullmatch(r"[-+.\deE]+", b) and float(a) == float(b))
        for row in found:
            held(any(all(same(row[c], other[c]) for c in row) for other in expected), f"{name}: no such row {row}")
    page.evaluate("document.querySelectorAll('details.table').forEach((d, i) => d.open = i === 0)")


@check("charts")
def charts(reader):
    """Values on hover and by keys; figures are numbered in order and lead to their tables."""
    page = reader.page
    headings = page.locator("figure.chart > h3").all_text_contents()
    for place, heading in enumerate(headings, 2):
        held(heading.startswith(f"Figure {place}. "), f"{heading!r} is not number {place}")
    drawings = page.locator(".wide.drawing")
    held(drawings.count() == len(headings) >= 8, f"{drawings.count()} charts")
    for turn in range(drawings.count()):
        drawing = drawings.nth(turn)
        marks = json.loads(drawing.locator("svg").first.get_attribute("data-marks"))
        held(len(marks) >= 2, f"{headings[turn]} has no values")
        drawing.evaluate("e => e.scrollIntoView({block: 'center', behavior: 'instant'})")
        mark = marks[len(marks) // 2]
        spot = drawing.evaluate(
            """(e, [x, y, w, h]) => { const p = new DOMPoint(x + w / 2, y + h / 2).matrixTransform(e.querySelector('svg').getScreenCTM()); return [p.x, p.y]; }""", mark[:4]
        )
        page.mouse.move(*spot)
        tip = drawing.locator(".tip")
        held(tip.is_visible(), f"{headings[turn]}: nothing shown")
        inside = [m[4] for m in marks if m[0] <= mark[0] + mark[2] / 2 <= m[0] + m[2] and m[1] <= mark[1] + mark[3] / 2 <= m[1] + m[3]]
        held(tip.text_content() in inside, f"{headings[turn]}: {tip.text_content()!r} instead of {inside}")
        box, outer = tip.bounding_box(), drawing.bounding_box()
        held(box["x"] >= outer["x"] - 1 and box["x"] + box["width"] <= outer["x"] + outer["width"] + 1, "the words leave the chart")
        page.mouse.move(0, 0)
        held(not tip.is_visible(), "the words stay")
        drawing.focus()
        for key, expected in [("ArrowRight", marks[0]), ("ArrowRight", marks[1]), ("End", marks[-1]), ("Home", marks[0])]:
            page.keyboard.press(key)
            held(tip.text_content() == expected[4], f"{headings[turn]}: {key} shows {tip.text_content()!r}")
        page.keyboard.press("Escape")
        held(not tip.is_visible(), "Escape does not end it")
    # one number against the run: what is left in the first scenario
    row = table(reader.run, "habitat_area")[1]
    words = " ".join(m[4] for m in json.loads(drawings.first.locator("svg").first.get_attribute("data-marks")))
    lost = re.findall(r": lost ([\d.,]+) ha", words)
    held(any(abs(float(x.replace(",", "")) / float(row["lost_ha"]) - 1) < 0.01 for x in lost), f"{row['lost_ha']} ha are lost, the chart says {lost}")
    for link in page.locator("figure.chart figcaption a").all():
        target = link.get_attribute("href")
        held(page.locator(target).locator("summary").first.text_content().startswith(link.text_content() + "."), f"{target} is not {link.text_content()}")


@check("words")
def words(reader):
    """The summary answers, the protocol's parts stand in order, every work cited is listed."""
    page = reader.page
    answers = page.locator(".answers h3").all_text_contents()
    held(answers == ["What holds", "What goes first", "What is uncertain"], str(answers))
    parts = page.locator("#methods .part > h3").all_text_contents()
    held(parts == ["Overview", "Data", "Model", "Assessment", "Prediction"], str(parts))
    for link in page.locator("main a[href^='#table-']").all():
        held(page.locator(link.get_attribute("href")).count() == 1, f"{link.get_attribute('href')} leads nowhere")
    text, listed = page.locator("#methods").inner_text(), page.locator("#references li").all_text_contents()
    cited = set(re.findall(r"([A-Z][\w-]+)(?: and [A-Z][\w-]+| et al\.)? ((?:19|20)\d\d)\b(?!-)", text))
    cited -= {pair for pair in cited if pair[0] in {"Baseline", "Horizons", "Begun"}}
    held(len(cited) >= 5, f"only {cited} cited")
    for name, year in cited:
        held(any(name in entry and f"({year})" in entry for entry in listed), f"{name} {year} is cited and not listed")
    for entry in listed:
        name, year = re.match(r"([\w-]+)", entry)[1], re.search(r"\((\d{4})\)", entry)[1]
        held((name in text and year in text) or "FAO-56" in text, f"{entry} is listed and not cited")
    # areas of the summary are those of the table
    rows = table(reader.run, "habitat_area")
    cards = page.locator(".card .figure strong").all_text_contents()
    for row, card in zip(rows[1:], cards, strict=True):
        held(abs(float(card.split()[0].replace(",", "")) - float(row["habitat_ha"])) <= 0.006 * float(row["habitat_ha"]) + 0.05, f"{card} for {row['habitat_ha']}")


@check("keyboard")
def keyboard(reader):
    """By the tab key alone one comes to everything and out again, and sees where one is."""
    page = reader.page
    # a page that scrolls smoothly is still on its way when one looks
    page.emulate_media(reduced_motion="reduce")
    page.goto("about:blank")
    page.goto(reader.file.as_uri())
    seen, hidden = [], []
    for _ in range(1200):
        page.keyboard.press("Tab")
        here = page.evaluate(
            """() => { const e = document.activeElement; if (!e || e === document.body) return null;
            const s = getComputedStyle(e), b = e.getBoundingClientRect();
            return {what: e.id || e.tagName + ' ' + (e.textContent || '').trim().slice(0, 30), outline: s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) > 0,
            seen: b.width > 0 && b.height > 0 && b.bottom > 0 && b.top < innerHeight && b.right > 0 && b.left < innerWidth}; }"""
        )
        if here is None:
            break
        seen.append(here["what"])
        if not (here["outline"] and here["seen"]):
            hidden.append(here["what"])
    else:
        raise AssertionError(f"the tab key does not come to an end: {seen[-5:]}")
    held(seen[0].startswith("A Skip"), f"first comes {seen[0]}")
    held(not hidden, f"no focus to be seen on {hidden[:5]}")
    for wanted in ["map-group", "map-compare", "map-view", "map-patch"]:
        held(wanted in seen, f"{wanted} is out of reach")
    held(sum(what.startswith("SUMMARY Table") for what in seen) > 15, "tables are out of reach")


@check("axe")
def axe(reader):
    """No violation of axe-core's rules, with the comparison, a patch and all tables open."""
    page = reader.page
    if page.locator("#map-compare").count():
        reader.choose("#map-group", "Suitability")
        select = page.locator("#map-compare option")
        if select.count() > 1:
            reader.choose("#map-compare", select.nth(1).get_attribute("value"))
    if page.locator("#map-patch").count():
        page.locator("#map-patch").fill("1")
        page.locator("#map-patch").press("Enter")
    tables = page.locator("details.table")
    page.evaluate("document.querySelectorAll('details').forEach((d, i) => d.open = d.matches('.table') ? i % 5 === 0 : true)")
    held(tables.count() > 0, "no tables")
    found = Axe().run(page, options={"resultTypes": ["violations"]}).response["violations"]
    told = [f"{v['id']} ({v['impact']}): {v['help']}; {len(v['nodes'])} places, first {v['nodes'][0]['html'][:160]}" for v in found]
    held(not found, "; ".join(told))
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = false)")


@check("overflow")
def overflow(reader):
    """Nothing is wider than the screen, whatever is open."""
    page = reader.page
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    width = page.evaluate("document.documentElement.scrollWidth")
    held(width <= page.viewport_size["width"], f"{width} pixels wide on {page.viewport_size['width']}")
    wide = page.evaluate(
        """() => [...document.querySelectorAll('main *, header *')].filter(e => { const b = e.getBoundingClientRect();
        if (!(b.width > 0 && b.right > innerWidth + 1)) return false;
        for (let p = e.parentElement; p; p = p.parentElement) if (getComputedStyle(p).overflowX !== 'visible') return false;
        return true; }).map(e => e.tagName + '.' + e.className + ' ' + (e.textContent || '').slice(0, 40))"""
    )
    held(not wide, f"stick out: {wide[:5]}")
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = false)")


@check("print")
def printed(reader):
    """As a PDF: pages, every figure and table by number, no controls; wide tables on their side."""
    page = reader.page
    open_before = page.locator("details[open]").count()
    file = io.BytesIO(page.pdf(prefer_css_page_size=True, print_background=True))
    pdf = PdfReader(file)
    text = re.sub(r"\s+", " ", " ".join(sheet.extract_text() for sheet in pdf.pages))
    held(len(pdf.pages) > 5, f"{len(pdf.pages)} pages")
    for heading in page.locator("figure.chart > h3").all_text_contents():
        held(heading.split(".")[0] + "." in text, f"{heading} is not printed")
    for caption in page.locator("details.table > summary").all_text_contents():
        held(caption.split(".")[0] + "." in text, f"{caption} is not printed")
    held("Figure 1a." in text and "Figure 1b." in text, "the maps are not printed")
    for control in ["Press a heading", "Download this table", "Opacity of the layer", "Skip to the summary"]:
        held(control not in text, f"{control!r} is printed")
    shapes = {(float(s.mediabox.width) > float(s.mediabox.height)) for s in pdf.pages}
    held(shapes == {True, False}, "all pages have one shape")
    # a closed table has a heading and no cells
    rows = table(reader.run, "patches")
    held(all(f"{float(r['area_ha']):.4g}" in text for r in rows[:3]), "tables are printed closed")
    held(page.locator("details[open]").count() == open_before, "printing leaves tables open")


@check("names")
def names(reader):
    """Names of the study stand on the page letter by letter, and each in its own direction."""
    if reader.names is None:
        return
    page, expected = reader.page, reader.names
    held(page.locator("h1").text_content() == expected["study"], page.locator("h1").text_content())
    held(page.locator(".organism").text_content() == expected["organism"], "the animal has another name")
    titles = page.locator(".card h3").all_text_contents()
    held(titles[: len(expected["titles"])] == expected["titles"], str(titles))
    zones = set(cells_of(reader, "habitat_loss_by_zone", "name"))
    held(zones == set(expected["zones"]), str(zones))
    held(page.locator("img[src='x'], bdi *, h1 *, .card h3 *").count() == 0, "a name became an element")
    for locator in ["h1", ".organism", ".card h3", "#map-title"]:
        held(page.locator(locator).first.get_attribute("dir") == "auto", f"{locator} has one direction for all")
    if len(expected["titles"]) > 1:
        turned = page.locator(".card h3").nth(1).evaluate("e => getComputedStyle(e).direction")
        held(turned == "rtl", f"a name from right to left is set {turned}")


@check("quiet")
def quiet(reader):
    """Nothing on the console, no request but for the page itself, no dialog; runs last."""
    held(not reader.noise, "; ".join(reader.noise[:4]))
    asked = {url for url in reader.requests if not url.startswith(("data:", "blob:", "about:"))}
    held(asked == {reader.file.as_uri()}, f"asked for {sorted(asked)}")
    held(reader.js("window.harm") is None, "a name of the study was executed")


# What depends on the width is looked at on a telephone too.
ON_TELEPHONE = ["axe", "overflow", "quiet"]


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("run", type=Path)
    parser.add_argument("--page", type=Path)
    parser.add_argument("--only")
    parser.add_argument("--pictures", type=Path)
    parser.add_argument("--names", type=Path)
    options = parser.parse_args()
    chromium = os.environ.get("LENTIC_CHROMIUM") or shutil.which("chromium") or sys.exit("chromium is not installed")
    file = (options.page or options.run / "report.html").resolve()
    wanted = options.only.split(",") if options.only else list(CHECKS)
    expected = json.loads(options.names.read_text(encoding="utf-8")) if options.names else None
    failed = 0
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu"])
        for size, names in [(WIDE, list(CHECKS)), (NARROW, ON_TELEPHONE)]:
            reader = Reader(browser, file, options.run, size, expected)
            for name in names:
                if name not in wanted:
                    continue
                label = f"{name} at {size['width']}"
                try:
                    CHECKS[name](reader)
                    print(f"ok     {label}", flush=True)
                except Exception as error:  # every check is told, whatever the one before did
                    failed += 1
                    print(f"FAILED {label}: {type(error).__name__}: {str(error)[:900]}", flush=True)
            if options.pictures:
                options.pictures.mkdir(parents=True, exist_ok=True)
                reader.page.screenshot(path=options.pictures / f"{size['width']}.png", full_page=True)
            reader.close()
        browser.close()
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
