//! Problems of sense: what `resolve` says about them.

use crate::common::{Folder, GOOD, edited, said, warned};

#[test]
fn grid_period_and_patches() {
    insta::assert_snapshot!(said(&[
        ("name = \"Talverra Sink\"", "name = \" \""),
        ("crs = \"EPSG:6933\"", "crs = \"\""),
        ("bounds = [0, 0, 3000, 1500]", ""),
        ("bounds = [0, 0, 3000, 1500]", "bounds = [0, 0, 9, 9]\narea = \"roads.gpkg\""),
        ("bounds = [0, 0, 3000, 1500]", "bounds = [3000, 0, 0, 0]"),
        ("bounds = [0, 0, 3000, 1500]", "area = \"area.gpkg\""),
        ("\"1991-01\"", "\"1991-13\""),
        ("\"1991-01\", \"2020-12\"", "\"Jan 1991\", \"2020\""),
        ("\"1991-01\", \"2020-12\"", "\"2020-12\", \"1991-01\""),
        ("minimum_ha = 0.5", "neighbours = 6"),
    ]));
}

#[test]
fn records() {
    insta::assert_snapshot!(said(&[
        ("file = \"records.csv\"", "file = \"record.csv\""),
        ("crs = \"EPSG:4326\"", "crs = \" \""),
        ("maximum_uncertainty_m = 150.0", "maximum_uncertainty_m = 0"),
        ("maximum_uncertainty_m = 150.0", "block_m = 0.0"),
        ("from = \"1995-01\"", "from = \"1995\""),
        ("from = \"1995-01\"", "from = \"1995-01\"\nto = \"1994-12\""),
        ("effort_layer = \"fall\"", "effort_layer = \"effort\""),
        ("effort_layer = \"fall\"", "effort_layer = \"land_cover\""),
    ]));
    let without = GOOD.split("[records]").next().unwrap();
    let text = without.replace("threshold = 0.5", "threshold = \"tenth percentile of records\"");
    assert_eq!(
        Folder::new(&text).problems(),
        "study.toml:116: suitability.threshold is \"tenth percentile of records\", but the study has no [records] (add [records] with file, or set a number from 0 to 1)"
    );
}

#[test]
fn layers() {
    insta::assert_snapshot!(said(&[
        ("file = \"depth.tif\"", ""),
        ("file = \"depth.tif\"", "file = \"depht.tif\""),
        ("file = \"depth.tif\"", "file = \"\""),
        ("file = \"depth.tif\"", "file = \".\""),
        ("file = \"depth.tif\"", "file = \"depth.tif\"\nfiles = \"d_{year}.tif\""),
        ("file = \"depth.tif\"", "files = \"depth_{year}.tif\""),
        ("file = \"depth.tif\"", "file = \"depth_{year}.tif\""),
        ("file = \"depth.tif\"", "file = \"roads.gpkg\""),
        ("file = \"roads.gpkg\"", "file = \"roads.gpkg\"\nband = 1"),
        ("kind = \"mask\"", "kind = \"mask\"\nscale = 2"),
        ("unit = \"m\"", "scale = 0"),
        ("unit = \"m\"", "wet_at = 0.5\nunobserved = [1]\nholds = \"depth\""),
        ("unit = \"m\"", "legend = \"zones.csv\""),
        ("legend = \"zones.csv\"", "legend = \"zone.csv\""),
    ]));
}

#[test]
fn water_histories() {
    insta::assert_snapshot!(said(&[
        ("files = \"water/water_{year}-{month}.tif\"", "file = \"water.tif\""),
        ("files = \"water/water_{year}-{month}.tif\"", ""),
        ("water_{year}-{month}.tif", "water_{month}.tif"),
        ("water_{year}-{month}.tif", "water_{year}-{day}.tif"),
        ("water_{year}-{month}.tif", "water_{yyyy}-{month}.tif"),
        ("water_{year}-{month}.tif", "water_{year-{month}.tif"),
        ("water_{year}-{month}.tif\"", "water_{year}.tif\"\nband = 2"),
        ("unobserved = [9]", "wet_at = 0.4"),
        ("unobserved = [9]", "holds = \"fraction\"\nwet_at = 50"),
        ("unobserved = [9]", "holds = \"depth\"\nwet_at = -1"),
        ("[layers.water]", "[layers.surface]"),
    ]));
}

#[test]
fn roles() {
    insta::assert_snapshot!(said(&[
        ("[layers.fall]", "[layers.pools]"),
        ("role = \"zones\"", "role = \"ground\""),
        ("[layers.roads]", "[layers.zones]"),
        ("unobserved = [9]", "role = \"depth\""),
        (
            "file = \"zones.tif\"\nkind = \"class\"\nrole = \"zones\"",
            "file = \"zones.tif\"\nkind = \"class\""
        ),
    ]));
}

#[test]
fn legends() {
    let legend = |text: &str| {
        let problems = Folder::new(GOOD).with("wetland_class.csv", text).problems();
        format!("{text}\n==>\n{problems}\n")
    };
    let texts = [
        "code,name,cover\n0,upland,0\n1,pool,0.2\n1,marsh,1\n",
        "code,name,cover\n0,upland,0\n1.5,pool,0.2\nx,marsh,1\n2,,1\n",
        "code,name,cover\n0,upland,0\n1,pool, small,0.2\n",
        "code,title,cover\n0,upland,0\n",
        "code,name,cover\n",
        "",
        "code,name,cover\n0,upland,none\n1,pool,0.2\n2,marsh,7\n",
        "code,name,shelter\n0,upland,0\n",
    ];
    let all: Vec<String> = texts.iter().map(|text| legend(text)).collect();
    insta::assert_snapshot!(all.join("\n"));
}

#[test]
fn a_legend_of_two_layers_is_told_once() {
    let file = "file = \"land_cover.tif\"\nkind = \"class\"";
    let text = edited(&[(file, &format!("{file}\nlegend = \"wetland_class.csv\""))]);
    let folder = Folder::new(&text).with("wetland_class.csv", "code,name,cover\nx,pool,1\n");
    let problems = folder.problems();
    assert_eq!(problems.lines().count(), 1, "{problems}");
}

#[test]
fn climate_and_inundation() {
    let no_temperature = "temperature = { file = \"climate.csv\", column = \"temperature_c\" }\n";
    insta::assert_snapshot!(said(&[
        (no_temperature, ""),
        ("index = \"spei\"", "index = \"spi\""),
        ("precipitation = { file = \"climate.csv\"", "precipitation = { file = \"rain.csv\""),
        ("\"2020-12\"]", "\"2020-12\"]\nreference = [\"1991-01\", \"1999-12\"]"),
        (
            "[inundation.prior]",
            "[inundation]\nwater_limit_months = 0\nlogits_per_metre = -2\n[inundation.prior]"
        ),
        ("index_sd = 0.4", "index_sd = 0"),
        ("[inundation.prior]", "[inundation]\ngroups = \"wetland_clas\"\n[inundation.prior]"),
        ("[inundation.prior]", "[inundation]\ngroups = \"ground\"\n[inundation.prior]"),
        ("[inundation.prior]", "[inundation]\ndriver = \"season\"\n[inundation.prior]"),
    ]));
    let start = GOOD.find("[climate]").unwrap();
    let end = GOOD.find("[inundation.prior]").unwrap();
    let without = format!("{}[inundation]\ndriver = \"index\"\n{}", &GOOD[..start], &GOOD[end..]);
    insta::assert_snapshot!("no_climate", Folder::new(&without).problems());
}

#[test]
fn measures() {
    insta::assert_snapshot!(said(&[
        ("measure = \"share of class\"", "measure = \"distance to class\""),
        ("measure = \"hydroperiod\"", "measure = \"hydroperiod\"\nlimit_m = 10"),
        ("limit_m = 500.0", "limit_m = 0"),
        ("classes = [2, 3]", "classes = []"),
        ("classes = [2, 3]", "classes = [2, 2]"),
        ("layer = \"land_cover\"\nclasses = [2, 3]", "layer = \"wetland_class\"\nclasses = [2, 5]"),
        ("layer = \"land_cover\"\nclasses = [2, 3]", "layer = \"landcover\"\nclasses = [2, 3]"),
        ("layer = \"land_cover\"\nclasses = [2, 3]", "layer = \"ground\"\nclasses = [2, 3]"),
        ("measure = \"hydroperiod\"", "measure = \"layer\"\nlayer = \"land_cover\""),
        ("[layers.depth]", "[layers.deep]"),
        ("name = \"depth\"", "name = \"hydroperiod\""),
        ("name = \"depth\"", "name = \"\""),
        ("if_missing = 0", "if_missing = 2"),
    ]));
}

#[test]
fn curves() {
    insta::assert_snapshot!(said(&[
        ("curve = { legend = \"cover\" }", "curve = {}"),
        ("curve = { legend = \"cover\" }", "curve = { legend = \"cover\", classes = { 1 = 1 } }"),
        ("curve = { legend = \"cover\" }", "curve = { points = [[0, 0], [3, 1]] }"),
        ("curve = { legend = \"cover\" }", "curve = { legend = \"covr\" }"),
        ("curve = { legend = \"cover\" }", "curve = { legend = \"note\" }"),
        ("curve = { legend = \"cover\" }", "curve = { classes = { 1 = 1.5, two = 1, 7 = 0 } }"),
        ("curve = { legend = \"cover\" }", "curve = { classes = {} }"),
        ("curve = { classes = { 1 = 0, 2 = 0.4, 4 = 1.0 } }", "curve = { legend = \"cover\" }"),
        ("curve = { trapezoid = [0.1, 0.3, 1.5, 3.0] }", "curve = { trapezoid = [0.1, 0.3, 0.2, 3] }"),
        ("curve = { trapezoid = [0.1, 0.3, 1.5, 3.0] }", "curve = { classes = { 1 = 1 } }"),
        ("[[2, 0.0], [6, 1.0], [12, 0.8]]", "[[2, 0.0]]"),
        ("[[2, 0.0], [6, 1.0], [12, 0.8]]", "[[2, 0.0], [2, 1.0], [1, 8.0]]"),
        ("spread = 80.0", "spread = 0"),
        ("steepness = 12.0", "steepness = 0"),
    ]));
}

#[test]
fn weights() {
    let sizes = ("pairwise = [[1, 3], [0.33, 1]]", "pairwise = [[1]]");
    insta::assert_snapshot!(said(&[
        sizes,
        ("pairwise = [[1, 3], [0.33, 1]]", "pairwise = [[1, 3], [1]]"),
        ("pairwise = [[1, 3], [0.33, 1]]", "pairwise = [[1, 3], [0.5, 1]]"),
        ("pairwise = [[1, 3], [0.33, 1]]", "pairwise = [[1, -3], [-0.33, 1]]"),
        ("if_missing = \"omit\"", "weight = 2"),
        ("weight = 3.0", "pairwise = [[1, 1], [1, 1]]"),
        ("barriers =", "order = [\"water\"]\nbarriers ="),
        ("barriers =", "order = [\"water\", \"watr\", \"water\"]\npairwise = [[1]]\nbarriers ="),
        ("barriers =", "order = [\"water\", \"cover\", \"nesting\"]\npairwise = [[1]]\nbarriers ="),
        ("barriers = [\"roads\"]", "barriers = [\"road\", \"ground\"]"),
    ]));
    let none =
        edited(&[("weight = 2.0", "weight = 0"), ("name = \"plants\"", "name = \"plants\"\nweight = 0")]);
    insta::assert_snapshot!("weights_of_nothing", Folder::new(&none).problems());
}

/// Saaty 1988, "size of house" [1 6 8; 1/6 1 4; 1/8 1/4 1]: consistency ratio .117 (printed), so refused.
#[test]
fn contradicting_pairs_are_refused_unless_taken() {
    let pairs = "order = [\"water\", \"cover\", \"nesting\"]\n\
                 pairwise = [[1, 6, 8], [0.166667, 1, 4], [0.125, 0.25, 1]]\n";
    let with = |more: &str| {
        let text = edited(&[("weight = 3.0\n", ""), ("barriers =", &format!("{pairs}{more}barriers ="))]);
        Folder::new(&text)
    };
    insta::assert_snapshot!(with("").problems());
    let (study, _) = with("accept_inconsistent = true\n").load().unwrap();
    assert!((study.suitability.consistency_ratio.unwrap() - 0.117).abs() < 0.0005);
}

#[test]
fn crossing() {
    let layer = "layer = \"land_cover\"\nresistance = { 1 = 1, 2 = 2.5, 4 = \"impassable\" }";
    let table = "resistance = { 1 = 1, 2 = 2.5, 4 = \"impassable\" }";
    insta::assert_snapshot!(said(&[
        (table, ""),
        (table, "legend = \"cover\""),
        (layer, "layer = \"wetland_class\"\nlegend = \"covr\""),
        (table, &format!("{table}\nlegend = \"cover\"")),
        (table, "resistance = {}"),
        (table, "resistance = { 0 = 0.5, 1 = 1, 2 = -1, 3 = \"closed\" }"),
        (table, "resistance = { 0 = 3, 1 = 2, 2 = 5, 3 = 2 }"),
        (table, "resistance = { 1 = \"impassable\", 2 = \"impassable\" }"),
        (layer, "layer = \"wetland_class\"\nresistance = { 1 = 1, reeds = 2, 7 = 3 }"),
        (layer, "layer = \"landcover\"\nresistance = { 1 = 1 }"),
        (layer, "layer = \"ground\"\nresistance = { 1 = 1 }"),
        ("barriers.roads = 20.0", "barriers = { roads = 0.5, road = 2, ground = 3 }"),
        ("effective_m = 500.0", "effective_m = 0"),
        ("limit_m = 2000.0", ""),
        ("limit_m = 2000.0", "limit_m = 2000.0\nweight = \"areas\""),
    ]));
    insta::assert_snapshot!(
        "crossing_warnings",
        warned(&[
            ("limit_m = 2000.0", "limit_m = 400.0"),
            (layer, "layer = \"wetland_class\"\nresistance = { 1 = 1, 2 = 1.5 }"),
        ])
    );
    let with_legend = edited(&[(layer, "layer = \"wetland_class\"\nlegend = \"crossing\"")]);
    let legend = |text: &str| Folder::new(&with_legend).with("wetland_class.csv", text);
    let sound = "code,name,cover,crossing\n0,upland,0,2.5\n1,pool,0.2,1\n2,marsh,1,impassable\n";
    let (study, _) = legend(sound).load().unwrap_or_else(|problems| panic!("{problems}"));
    let crossing = study.patches.crossing.unwrap();
    assert_eq!(crossing.resistance, [(0, 2.5), (1, 1.0), (2, f64::INFINITY)].into());
    let spoilt = "code,name,cover,crossing\n0,upland,0,wall\n1,pool,0.2,0.9\n2,marsh,1,\n";
    insta::assert_snapshot!("crossing_legend", legend(spoilt).problems());
}

#[test]
fn uncertainty() {
    let drier = "name = \"drier\"";
    let with = |more: &str| format!("{more}\n\n[patches.crossing]");
    let section = |keys: &str| with(&format!("[uncertainty]\n{keys}"));
    let crossing = "[patches.crossing]";
    insta::assert_snapshot!(said(&[
        (crossing, &section("members = 5")),
        (crossing, &section("member = 50")),
        (crossing, &section("curves = -0.1\nweights = 0.4\nthreshold = 2\nvertical_m = -1")),
        (crossing, &section("response = \"yes\"")),
        (crossing, &section("sensitivity = { samples = 100, cells = 5 }")),
        (drier, &format!("{drier}\nspread = {{ precipitation = [5, 10], temperature = [0, 1] }}")),
        (drier, &format!("{drier}\nspread.precipitation = [5, 10]")),
        (drier, &format!("{drier}\nspread.drawdown_percent = [-150, 10]")),
        (drier, &format!("{drier}\nspread.temperature_c = [-1, -2]")),
    ]));
    insta::assert_snapshot!(
        "uncertainty_warnings",
        warned(&[
            (drier, &format!("{drier}\nspread.precipitation = [-5, 10]")),
            (crossing, &section("curves = 0\nweights = 0\nthreshold = 0\nresponse = false")),
        ])
    );
}

#[test]
fn scenarios() {
    insta::assert_snapshot!(said(&[
        ("name = \"drier\"", "name = \"Drier, 2050\""),
        ("name = \"drier\"", "name = \"baseline\""),
        ("name = \"drier\"", "name = \"pumping\""),
        ("drawdown_m = { 1 = 0.4 }", "drawdown_m = { 1 = 0.4, 7 = 1, north = 2 }"),
        ("drawdown_m = { 1 = 0.4 }", "drawdown_m = \"roads\""),
        ("drawdown_m = { 1 = 0.4 }", "cause = \"abstraction\"\nprecipitation = -5"),
        ("precipitation = -15.0", "precipitation = -150"),
        ("precipitation = [-10, -10,", "precipitation = [-10, -110,"),
        ("cause = \"climate\"", ""),
        ("land_cover = \"land_cover_2050\"", "land_cover = \"land_cover_2060\""),
        ("land_cover = \"land_cover_2050\"", "land_cover = \"land_cover\""),
        ("[layers.ground]", "[layers.height]"),
    ]));
    insta::assert_snapshot!(
        "scenarios_that_change_nothing",
        warned(&[
            ("drawdown_m = { 1 = 0.4 }", ""),
            ("drawdown_m = { 1 = 0.4 }", "drawdown_m = 0"),
            ("drawdown_m = { 1 = 0.4 }", "precipitation = 0\ntemperature_c = 0.0"),
        ])
    );
}

/// Years that come again, and a trend that goes on.
#[test]
fn what_scenarios_take_from_the_record() {
    let fall = "drawdown_m = { 1 = 0.4 }";
    insta::assert_snapshot!(said(&[
        (fall, "replay = {}"),
        (fall, "replay = { years = [] }"),
        (fall, "replay = { years = [2006], from = 2000 }"),
        (fall, "replay = { from = 2000 }"),
        (fall, "replay = { from = 2009, to = 2000 }"),
        (fall, "replay = { from = 1, to = 2000000000 }"),
        (fall, "replay = { years = [\"2006\", \"dry\"] }"),
        (fall, "replay = [2006]"),
        (fall, "replay = { year = [2006] }"),
        (fall, "replay = { years = [2006] }\ndrawdown_m = 0.2"),
        (fall, "continue_trend = true"),
        (fall, "continue_trend = true\nhorizon = 2019"),
        (fall, "continue_trend = true\nhorizon = \"soon\""),
        (fall, "continue_trend = \"yes\""),
    ]));
    // without an index both have nothing to stand on
    let season = edited(&[
        ("precipitation = -15.0\ntemperature_c = 1.0", "replay = { years = [2006] }\ncontinue_trend = true"),
        ("precipitation = [-10, -10, -10, 0, 0, 0, 0, 0, 0, 0, 0, -20]\n", ""),
        ("cause = \"climate\"", ""),
        ("[inundation.prior]", "[inundation]\ndriver = \"season\"\n[inundation.prior]"),
    ]);
    insta::assert_snapshot!("replay_and_trend_without_an_index", Folder::new(&season).problems());
    let twice = edited(&[(fall, &format!("{fall}\ncontinue_trend = true\nhorizon = 2020"))]);
    insta::assert_snapshot!("a_trend_beside_a_drawdown", Folder::new(&twice).warnings());
}

#[test]
fn warnings() {
    insta::assert_snapshot!(warned(&[
        ("land_cover = \"land_cover_2050\"", "drawdown_m = 1"),
        ("threshold = 0.5", "threshold = 0"),
        ("maximum_uncertainty_m = 150.0", "maximum_uncertainty_m = 150.0\nassumed_uncertainty_m = 200"),
        ("months = 12", "months = 12\nzero = \"mass\""),
        ("curve = { legend = \"cover\" }", "curve = { classes = { 0 = 0, 2 = 1 } }"),
        ("limit_m = 500.0", "limit_m = 500.0\nweight = 2"),
    ]));
    // A change of land cover that no variable looks at.
    let text = edited(&[
        ("layer = \"land_cover\"\nclasses = [2, 3]", "layer = \"wetland_class\"\nclasses = [2, 3]"),
        (
            "measure = \"class\"\nlayer = \"land_cover\"\ncurve = { classes = { 1 = 0, 2 = 0.4, 4 = 1.0 } }",
            "measure = \"hydroperiod\"\ncurve = { points = [[0, 1], [9, 0]] }",
        ),
    ]);
    insta::assert_snapshot!("land_cover_that_nothing_measures", Folder::new(&text).warnings());
}

#[test]
fn problems_of_sense_come_together_from_the_top_down() {
    let text = edited(&[
        ("bounds = [0, 0, 3000, 1500]", "bounds = [3000, 0, 0, 1500]"),
        ("\"1991-01\"", "\"1991-13\""),
        ("file = \"depth.tif\"", "file = \"depht.tif\""),
        ("[6, 1.0]", "[1, 1.0]"),
        ("barriers = [\"roads\"]", "barriers = [\"road\"]"),
        ("cause = \"climate\"", ""),
    ]);
    let folder = Folder::new(&text).with("zones.csv", "code,name\n1,north\n1,south\n");
    insta::assert_snapshot!(folder.problems());
}
