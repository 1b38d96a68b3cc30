use super::*;
use std::fs;

fn answers(template: Template) -> Answers {
    Answers {
        name: "A \"basin\" # of mine".into(),
        organism: "a semi-aquatic turtle".into(),
        crs: "EPSG:6933".into(),
        cell_m: 20.0,
        extent: Extent::Bounds([0.0, 0.0, 2000.0, 1000.0]),
        baseline: template.baseline(),
        water_year_starts: 4,
        holds: template.holds(),
        layers: template.layers().into_iter().collect(),
        climate: template.climate(),
        scenarios: None,
        told: String::new(),
    }
}

/// Problems of a filled study whose files are all there, as far as they can be without rasters.
fn problems(template: Template, answers: &Answers) -> Vec<String> {
    let text = fill(template, answers);
    let file: StudyFile =
        toml::from_str(&text).unwrap_or_else(|e| panic!("{}: {e}\n{text}", template.name()));
    let folder = tempfile::tempdir().unwrap();
    let place = |relative: &str| {
        let path = folder.path().join(relative);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        path
    };
    for layer in file.layers.values() {
        if let Some(path) = &layer.file {
            fs::write(place(path), "").unwrap();
        }
    }
    for (path, legend) in legends(&text, &file) {
        // filled in: every score 0.5; codes of layers without named classes
        let mut rows: Vec<String> = legend.lines().map(|row| row.replace(",,", ",0.5,")).collect();
        rows.iter_mut().filter(|row| row.ends_with(',')).for_each(|row| row.push_str("0.5"));
        if rows.len() == 1 {
            rows.push(format!("1,one{}", ",0.5".repeat(legend.matches(',').count() - 1)));
        }
        fs::write(place(&path), rows.join("\n")).unwrap();
    }
    let climate = file.climate.iter().flat_map(|c| [&c.precipitation, &c.temperature, &c.anomaly]);
    for series in climate.flatten().filter_map(|series| series.file.as_ref()) {
        fs::write(place(series), "").unwrap();
    }
    let study = place("study.toml");
    fs::write(&study, &text).unwrap();
    let examined = crate::examine(&study);
    let all = examined.problems.iter().chain(&examined.warnings);
    // a layer that nobody uses, a record of few months: for the user to see
    all.filter(|p| !p.warning).map(ToString::to_string).collect()
}

#[test]
fn every_template_takes_its_own_answers() {
    for template in Template::ALL {
        let answers = answers(template);
        assert_eq!(problems(template, &answers), Vec::<String>::new(), "{}", template.name());
        let text = fill(template, &answers);
        let file: StudyFile = toml::from_str(&text).unwrap();
        assert_eq!(file.study.name, answers.name);
        assert_eq!((file.grid.crs.as_str(), file.grid.cell_m), ("EPSG:6933", 20.0));
        assert_eq!(file.grid.bounds, Some([0.0, 0.0, 2000.0, 1000.0]));
        assert_eq!(file.period.water_year_starts, Some(4));
        // nothing but the answers is changed: comments are those of the template
        let comments = |text: &str| text.matches('#').count();
        assert_eq!(comments(&text), comments(template.text()) + 2, "{}", template.name());
        let own: StudyFile = toml::from_str(template.text()).unwrap();
        assert_eq!(own.scenarios.len(), file.scenarios.len());
        assert_eq!(own.requisites.len(), file.requisites.len());
    }
}

/// All subsets of layers with all sources of climate: the text stays a study without problems of form or sense.
#[test]
fn whatever_is_lacking_is_left_out_with_all_that_hangs_on_it() {
    let mut tried = 0;
    for template in Template::ALL {
        let names = template.layers();
        for subset in 0..1u32 << names.len() {
            // every set that lacks or has up to two, and a spread of the others
            let few = subset.count_ones() <= 2 || subset.count_ones() as usize + 2 >= names.len();
            if !few && subset % 7 != 0 {
                continue;
            }
            let layers: BTreeSet<String> = names
                .iter()
                .enumerate()
                .filter(|(at, _)| subset >> at & 1 == 1)
                .map(|(_, n)| n.clone())
                .collect();
            for climate in [
                ClimateFrom::Table,
                ClimateFrom::Zones,
                ClimateFrom::Rasters,
                ClimateFrom::Anomalies,
                ClimateFrom::None,
            ] {
                if climate == ClimateFrom::Zones && !layers.contains("zones") {
                    continue;
                }
                let answers = Answers { layers: layers.clone(), climate, ..answers(template) };
                let found = problems(template, &answers);
                assert!(found.is_empty(), "{} {layers:?} {climate:?}: {found:#?}", template.name());
                tried += 1;
            }
        }
    }
    assert!(tried > 1000, "{tried}");
}

#[test]
fn years_water_and_scenarios_are_as_answered() {
    let template = Template::ClosedBasin;
    let short = Answers { baseline: (2016, 2021), holds: WaterContent::Fraction, ..answers(template) };
    assert_eq!(problems(template, &short), Vec::<String>::new());
    let file: StudyFile = toml::from_str(&fill(template, &short)).unwrap();
    assert_eq!(file.period.baseline, ["2016-01", "2021-12"]);
    assert_eq!(file.period.reference, Some(["1992-01".into(), "2021-12".into()]));
    assert_eq!(file.layers["water"].holds, Some(WaterContent::Fraction));
    assert!(file.layers["water"].unobserved.is_empty());
    let replay = file.scenarios.iter().find(|s| s.name == "dry-decade").unwrap();
    assert_eq!(replay.title, "The years from 2016 to 2020 come again");

    let wanted = ["drier", "restored"].map(String::from);
    let few = Answers { scenarios: Some(wanted.clone().into()), ..answers(template) };
    let file: StudyFile = toml::from_str(&fill(template, &few)).unwrap();
    assert_eq!(file.scenarios.iter().map(|s| s.name.clone()).collect::<Vec<_>>(), wanted);

    let area = Answers { extent: Extent::Area("layers/basin.gpkg".into()), ..answers(template) };
    let file: StudyFile = toml::from_str(&fill(template, &area)).unwrap();
    assert_eq!((file.grid.bounds, file.grid.area.as_deref()), (None, Some("layers/basin.gpkg")));

    let anomalies = Answers { climate: ClimateFrom::Anomalies, ..answers(template) };
    let names: Vec<String> =
        possible_scenarios(template, &anomalies).into_iter().map(|(name, _)| name).collect();
    assert!(names.contains(&"lower-index".to_string()) && !names.contains(&"drier".to_string()), "{names:?}");
}

/// What all templates say alike stands alike in them, so that a change is not made in one alone.
#[test]
fn common_parts_are_the_same_in_all_templates() {
    let part = |template: Template, begin: &str, end: &str| {
        let text = template.text();
        let start = text.find(begin).unwrap_or_else(|| panic!("{}: {begin}", template.name()));
        let stop = text[start..].find(end).map_or(text.len(), |at| start + at);
        text[start..stop].to_string()
    };
    for template in Template::ALL {
        for (begin, end) in [
            ("# ---- records", "# ---- what drying"),
            ("# ---- uncertainty", "# ---- scenarios"),
            ("# ---- network", "\u{0}"),
        ] {
            let end = if template == Template::DepthMarsh && begin.contains("records") {
                "# ---- uncertainty"
            } else {
                end
            };
            assert_eq!(
                part(template, begin, end),
                part(
                    Template::ClosedBasin,
                    begin,
                    if begin.contains("records") { "# ---- what drying" } else { end }
                ),
                "{}",
                template.name()
            );
        }
    }
}

#[test]
fn legends_and_readme_name_what_is_to_be_filled_in() {
    let text = fill(Template::ClosedBasin, &answers(Template::ClosedBasin));
    let file: StudyFile = toml::from_str(&text).unwrap();
    let legends = legends(&text, &file);
    assert_eq!(
        legends["legends/wetland_class.csv"],
        "code,name,cover_score\n0,upland,\n1,open pool,\n2,seasonal marsh,\n3,spring-fed marsh,\n"
    );
    assert_eq!(legends["legends/pools.csv"], "code,name\n");
    assert!(legends["legends/land_cover.csv"].contains("6,built-up\n"));
    let readme = readme(&file, &legends);
    for part in [
        "water/water_{year}-{month}.tif",
        "layers/ground.tif",
        "year,month,precipitation_mm",
        "legends/pools.csv",
        "permits",
    ] {
        assert!(readme.contains(part), "{part} in {readme}");
    }
}
