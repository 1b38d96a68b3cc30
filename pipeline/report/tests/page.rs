//! The page and the figures as files: offline, escaped, the same every time.

// Helpers of tests may panic like the tests themselves.
#![allow(clippy::unwrap_used)]

mod sample;

use lentic_report::{Column, MapLayer, PageInput, ReportError, Table, write_figures, write_page};
use sample::Sample;
use std::fs;

/// What no name may do.
const BAD: &str = "</script><img src=x onerror=\"alert(1)\">'&<!--";

fn html(page: &PageInput<'_>) -> String {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("report.html");
    write_page(&path, page).unwrap();
    fs::read_to_string(path).unwrap()
}

/// Values of an attribute of HTML (`name="value"`).
fn attribute<'a>(html: &'a str, name: &str) -> Vec<&'a str> {
    let start = format!(" {name}=\"");
    html.match_indices(&start)
        .map(|(at, _)| {
            let rest = &html[at + start.len()..];
            &rest[..rest.find('"').unwrap()]
        })
        .collect()
}

#[test]
fn the_page_asks_nothing_of_the_network() {
    let sample = Sample::new();
    let html = html(&sample.page());
    // The map library names the SVG namespace and its own home, and asks neither; its licence goes with it.
    let library = include_str!("../vendor/leaflet/leaflet.js");
    assert!(html.contains(library) && html.contains(include_str!("../vendor/leaflet/LICENSE")));
    let html = html.replace(library, "");
    // Everything that can make a browser fetch: HTML Living Standard (src, href, srcset, poster,
    // data, action), CSS (url, @import) and scripts.
    // A slash may stand as a character reference, which a browser reads as a slash.
    let html = html.replace("&#x2f;", "/");
    let sources = attribute(&html, "src");
    assert!(!sources.is_empty());
    assert!(sources.iter().all(|source| source.starts_with("data:image/png;base64,")));
    let links = attribute(&html, "href");
    assert!(links.len() > 8);
    assert!(links.iter().all(|link| link.starts_with('#') || *link == "data:,"), "{links:?}");
    assert!(!library.contains("sourceMappingURL"));
    for word in [
        "http:",
        "https:",
        "//cdn",
        "url(",
        "@import",
        "srcset=",
        "poster=",
        "<link rel=\"stylesheet",
        "<iframe",
        "<object",
        "<embed",
        "fetch(",
        "XMLHttpRequest",
        "WebSocket",
        "sendBeacon",
        "import(",
    ] {
        assert!(!html.contains(word), "{word}");
    }
    // And the browser is told so (Content Security Policy Level 3).
    assert!(html.contains("Content-Security-Policy\" content=\"default-src 'none'; img-src data:;"));
}

#[test]
fn every_anchor_leads_somewhere() {
    let sample = Sample::new();
    let html = html(&sample.page());
    let ids = attribute(&html, "id");
    for link in attribute(&html, "href").into_iter().filter_map(|link| link.strip_prefix('#')) {
        assert!(ids.contains(&link), "{link}");
    }
    for id in attribute(&html, "for").into_iter().chain(attribute(&html, "aria-labelledby")) {
        assert!(ids.contains(&id), "{id}");
    }
    let mut once = ids.clone();
    once.sort_unstable();
    once.dedup();
    assert_eq!(once.len(), ids.len(), "ids must differ");
}

#[test]
fn names_from_outside_cannot_become_markup() {
    let mut sample = Sample::new();
    let plain = html(&sample.page());
    let bad = || BAD.to_string();
    let study = &mut sample.record.study;
    for word in [
        &mut study.name,
        &mut study.organism,
        &mut study.purpose,
        &mut study.contact,
        &mut study.licence,
        &mut study.path,
        &mut study.blake3,
        &mut study.text,
    ] {
        *word = bad();
    }
    sample.record.warnings = vec![bad()];
    sample.record.notes = vec![bad()];
    sample.record.run_id = bad();
    sample.record.started = bad();
    sample.record.grid.crs = bad();
    sample.record.program.others.insert(bad(), bad());
    for input in &mut sample.record.inputs {
        input.layer = bad();
        input.file = bad();
        input.source = bad();
    }
    sample.record.products[0].title = bad();
    sample.tables.push(Table {
        name: bad(),
        title: bad(),
        note: bad(),
        columns: vec![Column { unit: bad(), ..Column::text(BAD, BAD, vec![Some(bad()), None]) }],
    });
    let patches = &mut sample.tables[1];
    patches.columns.push(Column::text(BAD, BAD, vec![Some(bad()); patches.rows()]));
    let mut page = sample.page();
    page.uncertain = vec![bad()];
    page.cautions = vec![bad()];
    page.cite = bad();
    page.methods[0].title = bad();
    page.methods[0].text = bad();
    page.not_assessed[0].label = bad();
    for row in &mut page.headline.rows {
        row.title = bad();
    }
    for breakdown in &mut page.losses {
        breakdown.title = bad();
        breakdown.rows[0].name = bad();
    }
    for panel in &mut page.curves {
        panel.variable = bad();
        panel.requisite = bad();
        panel.unit = bad();
    }
    page.droughts[0].index = bad();
    page.droughts[0].place = bad();
    for MapLayer { title, group, scenario, unit, caption, pixels, .. } in &mut page.maps {
        *title = bad();
        *group = bad();
        *scenario = Some(bad());
        *unit = bad();
        *caption = bad();
        if let lentic_report::MapPixels::Classes { styles, .. } = pixels {
            styles[0].name = bad();
        }
    }
    let html = html(&page);
    assert!(!html.contains("<img src=x") && !html.contains("onerror=\""), "raw markup");
    // As many scripts as before, opened and closed; the JSON is still JSON and says the same.
    let count = |text: &str, word: &str| text.matches(word).count();
    for word in ["<script", "</script", "<!--", "<img"] {
        assert_eq!(count(&html, word), count(&plain, word), "{word}");
    }
    let start = html.find("id=\"map-data\">").unwrap() + "id=\"map-data\">".len();
    let end = start + html[start..].find("</script>").unwrap();
    let data: serde_json::Value = serde_json::from_str(&html[start..end]).unwrap();
    assert_eq!(data["layers"][0]["title"], BAD);
    let folder = tempfile::tempdir().unwrap();
    let figures = write_figures(folder.path(), &page).unwrap();
    for figure in figures.into_iter().filter(|path| path.extension().unwrap() == "svg") {
        let text = fs::read_to_string(&figure).unwrap();
        assert!(!text.contains("<img") && !text.contains("<script"), "{}", figure.display());
    }
}

#[test]
fn the_same_input_gives_the_same_page() {
    let sample = Sample::new();
    assert!(html(&sample.page()) == html(&sample.page()));
}

#[test]
fn the_numbers_of_the_headline_are_on_the_page() {
    let sample = Sample::new();
    let html = html(&sample.page()).replace("<span class=\"nb\">", "").replace("</span>", "");
    // From the invented headline: 1284.6 ha, of which 563.5 are lost (43.9 %) in the second scenario.
    assert!(html.contains("<strong>1,285 ha</strong> of habitat in the baseline years, 1991-01 to 2020-12"));
    assert!(html.contains("<strong>44&nbsp;%</strong> of the baseline habitat lost"));
    assert!(html.contains("564 ha"));
    // 340 invented patches, of which the page shows 300.
    assert!(html.contains("40 more rows are in tables/patches.csv"));
}

#[test]
fn a_page_with_next_to_nothing_still_holds() {
    let sample = Sample { record: lentic_report::RunRecord::default(), tables: vec![] };
    let mut page = sample.page();
    page.headline = lentic_report::Headline::default();
    page.maps.clear();
    page.losses.clear();
    page.curves.clear();
    page.droughts.clear();
    page.methods.clear();
    page.uncertain.clear();
    page.cautions.clear();
    page.not_assessed.clear();
    let html = html(&page);
    assert!(html.contains("<strong>0 ha</strong>"));
    for word in ["NaN", "inf", "map-data"] {
        assert!(!html.contains(&format!(">{word}<")) && !html.contains(&format!("\"{word}\"")), "{word}");
    }
}

#[test]
fn a_folder_that_is_not_there_is_said_by_name() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("none").join("report.html");
    let error = write_page(&path, &Sample::new().page()).unwrap_err();
    assert!(matches!(error, ReportError::File { .. }), "{error}");
    assert!(error.to_string().contains("report.html"), "{error}");
}

#[test]
fn figures_are_well_formed_and_carry_their_size_and_units() {
    let sample = Sample::new();
    let folder = tempfile::tempdir().unwrap();
    let figures = write_figures(folder.path(), &sample.page()).unwrap();
    let names: Vec<_> = figures.iter().map(|path| path.file_name().unwrap().to_str().unwrap()).collect();
    let charts = [
        "habitat_area",
        "loss_by_zone",
        "loss_by_wetland_class",
        "drying_ladder",
        "response_surface",
        "sensitivity",
        "habitat_by_year",
        "drought_index",
        "response_curves",
        "boyce_curve",
        "population",
    ];
    let files = |chart: &str| [".svg", "_column.png", "_column.svg"].map(|end| format!("{chart}{end}"));
    assert_eq!(names, charts.into_iter().flat_map(files).collect::<Vec<_>>());
    for path in figures.iter().filter(|path| path.extension().unwrap() == "svg") {
        let text = fs::read_to_string(path).unwrap();
        let width = if path.to_str().unwrap().contains("_column") { "85mm" } else { "180mm" };
        assert!(
            text.contains(&format!("width=\"{width}\""))
                && text.contains("xmlns=\"http://www.w3.org/2000/svg\"")
        );
        assert!(!text.contains("NaN") && !text.contains("inf"), "{}", path.display());
        assert!(!text.contains("data-marks"), "marks are for the page's script");
    }
    let area = fs::read_to_string(&figures[0]).unwrap();
    assert!(area.contains("Habitat area (ha)"));
    let again = tempfile::tempdir().unwrap();
    for (a, b) in figures.iter().zip(write_figures(again.path(), &sample.page()).unwrap()) {
        assert_eq!(fs::read(a).unwrap(), fs::read(b).unwrap());
    }
}

/// Every climate has a figure and a chart of its own, under its own name.
#[test]
fn a_drought_figure_for_each_climate() {
    let sample = Sample::new();
    let mut page = sample.page();
    let one = page.droughts[0].clone();
    let zone = |code: u32, place: &str| lentic_report::Drought {
        id: format!("zone_{code}"),
        place: place.into(),
        ..one.clone()
    };
    page.droughts = vec![zone(1, "Upper lake"), zone(7, "Delta & fens")];
    let folder = tempfile::tempdir().unwrap();
    let figures = write_figures(folder.path(), &page).unwrap();
    let names: Vec<_> = figures.iter().map(|path| path.file_name().unwrap().to_str().unwrap()).collect();
    let of_zones: Vec<_> =
        names.iter().filter(|name| name.starts_with("drought") && !name.contains("column")).collect();
    assert_eq!(of_zones, [&"drought_index_zone_1.svg", &"drought_index_zone_7.svg"]);
    assert!(
        fs::read_to_string(folder.path().join("drought_index_zone_7.svg"))
            .unwrap()
            .contains("year; Delta &amp; fens")
    );
    let html = html(&page);
    for place in ["Upper lake", "Delta &amp; fens"] {
        assert!(html.contains(&format!("Drought in the climate record: {place}")), "{place}");
    }
}

/// The rows of the baseline's patches are linked to the map and given to its script; those of scenarios, which share their numbers, are not.
#[test]
fn patches_of_the_baseline_are_linked_to_the_map() {
    let sample = Sample::new();
    let text = html(&sample.page());
    assert_eq!(attribute(&text, "data-patch"), ["1", "2"]);
    assert!(text.contains("<tr id=\"patch-2\">"));
    let start = text.find("id=\"patch-data\">").unwrap() + "id=\"patch-data\">".len();
    let end = start + text[start..].find("</script>").unwrap();
    let data: serde_json::Value = serde_json::from_str(&text[start..end]).unwrap();
    assert_eq!(data["rows"].as_object().unwrap().len(), 2);
    // Area (the first column that is neither scenario nor number) of the second invented patch: 702 / 2.
    assert_eq!(data["columns"][0]["label"], "area (ha)");
    assert_eq!(data["rows"]["2"][0], "351");
    let mut page = sample.page();
    page.patches = None;
    assert!(attribute(&html(&page), "data-patch").is_empty());
}

/// A study of 2,000 x 2,000 cells comes as maps of 1,000 x 1,000 pixels. Here they are noise, which no picture format can make small.
#[test]
fn the_page_of_a_large_study_stays_under_15_megabytes() {
    const SIDE: usize = 1000;
    let sample = Sample::new();
    let mut page = sample.page();
    let noise = |seed: u32| -> Vec<f32> {
        let mut state = seed;
        let mut next = || {
            // Numerical Recipes, "quick and dirty" generator: enough for noise.
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 8) as f32 / (1u32 << 24) as f32
        };
        (0..SIDE * SIDE).map(|_| next()).collect()
    };
    page.maps = (0..20)
        .map(|at| MapLayer {
            id: format!("noise-{at}"),
            width: SIDE,
            height: SIDE,
            step: 2,
            pixels: lentic_report::MapPixels::Ramp {
                values: noise(at),
                min: 0.0,
                max: 1.0,
                ramp: lentic_report::Ramp::Suitability,
            },
            ..page.maps[0].clone()
        })
        .collect();
    let text = html(&page);
    // 20 layers of a megabyte each, a third more as text, would be 27 MB
    assert!((5_000_000..=15_000_000).contains(&text.len()), "{} bytes", text.len());
    let start = text.find("id=\"map-data\">").unwrap() + "id=\"map-data\">".len();
    let end = start + text[start..].find("</script>").unwrap();
    let data: serde_json::Value = serde_json::from_str(&text[start..end]).unwrap();
    let layers = data["layers"].as_array().unwrap();
    assert_eq!(layers.len(), 20);
    for layer in layers {
        // pixels twice as wide: 4 cells of 30 m
        assert_eq!((&layer["width"], &layer["pixel_m"]), (&500.into(), &120.0.into()));
    }
}

#[test]
fn the_mark_of_an_edition_stands_on_screen_on_every_sheet_and_in_figures() {
    let mut sample = Sample::new();
    let plain = html(&sample.page());
    assert!(!plain.contains("@top-center") && !plain.contains("class=\"edition"));
    sample.record.edition.mark = "Sensitive edition: not for \"anybody\"</style>".into();
    let page = sample.page();
    let marked = html(&page);
    assert!(marked.contains("Sensitive edition: not for &quot;anybody&quot;&lt;&#x2f;style&gt;</aside>"));
    // CSS Paged Media Module Level 3, margin boxes; what could end the string or the element is left out
    assert!(marked.contains("@top-center { content: \"Sensitive edition: not for anybody/style\""));
    let folder = tempfile::tempdir().unwrap();
    let figures = write_figures(folder.path(), &page).unwrap();
    for figure in figures.iter().filter(|figure| figure.extension().is_some_and(|ending| ending == "svg")) {
        let text = fs::read_to_string(figure).unwrap();
        assert!(
            text.contains(
                "<metadata>Sensitive edition: not for &quot;anybody&quot;&lt;/style&gt;</metadata>"
            )
        );
    }
}

/// What a run keeps of its page gives the same page, to the last bit of every number.
#[test]
fn a_kept_page_is_the_page() {
    let sample = Sample::new();
    let page = sample.page();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("page.json");
    lentic_report::write_kept(&path, &page).unwrap();
    for table in page.tables {
        lentic_report::write_table(folder.path(), table).unwrap();
    }
    let kept = lentic_report::read_kept(&path).unwrap();
    let tables: Vec<Table> =
        kept.tables.iter().map(|head| lentic_report::read_table(folder.path(), head).unwrap()).collect();
    assert_eq!(tables, page.tables);
    let again = PageInput { record: &sample.record, tables: &tables, maps: page.maps.clone(), ..kept.page };
    assert!(html(&again) == html(&page));
    // pixels are kept in rasters, not here
    assert!(fs::metadata(&path).unwrap().len() < 200_000);

    fs::write(&path, "{\"form\":99}").unwrap();
    let other = lentic_report::read_kept(&path).unwrap_err().to_string();
    assert!(other.contains("form 99") && other.contains("run the study again"), "{other}");
    fs::write(&path, "nonsense").unwrap();
    assert!(lentic_report::read_kept(&path).is_err());
    let table = folder.path().join(format!("{}.parquet", tables[0].name));
    fs::copy(folder.path().join(format!("{}.parquet", tables[1].name)), &table).unwrap();
    let changed = lentic_report::read_table(folder.path(), &tables[0]).unwrap_err().to_string();
    assert!(changed.contains("are expected"), "{changed}");
}
