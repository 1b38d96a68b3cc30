//! Tables as people and their programs leave them: what is certain is read like the plain table, all else is refused with its line
//! and how to mend it, by whole runs of the program. (The reader's own cases are in `lentic_study::text_table`.)

use lentic_tests::table::{Table, texts_of_run};
use lentic_tests::tiny::Tiny;
use lentic_tests::{Outcome, lentic};
use std::fs;

const LEGEND: &str = "code,name,score\n1,open pool,1.0\n2,\"marsh, reed\",0.5\n";

/// A study with a climate table, a legend and records.
fn study() -> Tiny {
    let mut tiny = Tiny::new();
    tiny.years = 10;
    tiny.more = "[layers.wetland_class]\nfile = \"kind.tif\"\nkind = \"class\"\nlegend = \"legend.csv\"\nsource = \"invented\"\n\n\
        [requisites.cover]\ncombine = \"arithmetic mean\"\n\n[[requisites.cover.variables]]\nname = \"cover\"\nmeasure = \"class\"\n\
        layer = \"wetland_class\"\ncurve.legend = \"score\"\n\n[records]\nfile = \"records.csv\"\ncrs = \"EPSG:4326\"\nmaximum_uncertainty_m = 100.0\n\
        from = \"1991-01\"\nto = \"2000-12\"\n"
        .into();
    tiny.write();
    let kinds: Vec<u8> = (0..tiny.rows * tiny.cols).map(|cell| 1 + (cell % 2) as u8).collect();
    tiny.raster("kind.tif", &[kinds], Some(0.0));
    fs::write(tiny.folder().join("legend.csv"), LEGEND).unwrap();
    fs::write(tiny.folder().join("records.csv"), records()).unwrap();
    tiny
}

/// Six findings in cells of their own: the grid runs to the right and down from 18 degrees west, 31 degrees south. A metre is 1.05e-5
/// degrees of longitude and 9.02e-6 of latitude there, near enough for cells of 30 m.
fn records() -> String {
    let mut text = String::from(
        "occurrenceID,decimalLatitude,decimalLongitude,coordinateUncertaintyInMeters,eventDate\n",
    );
    for n in 0..6 {
        let (row, col) = (f64::from(n / 3) + 0.5, f64::from(n % 3) + 0.5);
        let (lat, lon) = (-31.0 - row * 30.0 * 9.02e-6, -18.0 + col * 30.0 * 1.047e-5);
        text += &format!("r{n},{lat:.6},{lon:.6},10,1995-0{}-03\n", n + 1);
    }
    text
}

fn change(tiny: &Tiny, file: &str, of: impl Fn(&str) -> Vec<u8>) {
    let path = tiny.folder().join(file);
    let text = fs::read_to_string(&path).unwrap();
    let changed = of(&text);
    assert_ne!(changed, text.as_bytes(), "{file}: nothing is changed");
    fs::write(path, changed).unwrap();
}

/// Replaces what stands once in a text.
fn swap(text: &str, old: &str, new: &str) -> Vec<u8> {
    assert_eq!(text.matches(old).count(), 1, "{old:?}");
    text.replacen(old, new, 1).into_bytes()
}

/// Another value in the second line of the climate.
fn with_value(text: &str, value: &str) -> Vec<u8> {
    let at = text.find("\n1990,1,").unwrap() + "\n1990,1,".len();
    let end = at + text[at..].find('\n').unwrap();
    format!("{}{value}{}", &text[..at], &text[end..]).into_bytes()
}

/// A letter of an old code page in place of what stands once in a text.
fn latin(text: &str, old: &str) -> Vec<u8> {
    swap(text, old, "\u{1}").into_iter().map(|byte| if byte == 1 { 0xe9 } else { byte }).collect()
}

#[test]
fn dialects_that_are_certain_give_the_same_run() {
    let tiny = study();
    let plain = texts_of_run(&tiny.run_written());
    assert_eq!(Table::of_run(&tiny.folder().parent().unwrap().join("run"), "records").0.len(), 6);
    assert!(plain.len() > 12);
    // of every file: what it becomes; the legend has a quoted comma, which a plain replacement would spoil
    type Dialect = (&'static str, fn(&str) -> Vec<u8>);
    let dialects: [Dialect; 9] = [
        ("byte order mark and CRLF", |t| format!("\u{feff}{}", t.replace('\n', "\r\n")).into_bytes()),
        ("old line ends", |t| t.replace('\n', "\r").into_bytes()),
        ("semicolons", |t| t.replace(", ", "\u{1}").replace(',', ";").replace('\u{1}', ", ").into_bytes()),
        ("tabs", |t| t.replace(", ", "\u{1}").replace(',', "\t").replace('\u{1}', ", ").into_bytes()),
        ("empty lines at the end", |t| format!("{t}\n\r\n,,\n   \n").into_bytes()),
        ("separators too many", |t| t.replace('\n', ",,\n").into_bytes()),
        ("no line end at the end", |t| t.trim_end().as_bytes().to_vec()),
        ("spaces around", |t| {
            t.replace(", ", "\u{1}")
                .replace(",\"", "\u{2}")
                .replace(',', " , ")
                .replace('\u{1}', ", ")
                .replace('\u{2}', ",\"")
                .into_bytes()
        }),
        ("a header in other case", |t| {
            let (header, rest) = t.split_once('\n').unwrap();
            // names the study gives itself are told apart from others by case
            let header = header.replace("year", "Year").replace("code", "CODE").replace("decimal", "DECIMAL");
            format!("{header}\n{rest}").into_bytes()
        }),
    ];
    for (what, dialect) in dialects {
        let other = study();
        for file in ["climate.csv", "legend.csv", "records.csv"] {
            let path = other.folder().join(file);
            let text = dialect(&fs::read_to_string(&path).unwrap());
            fs::write(&path, text).unwrap();
        }
        let run = other.run_written();
        let found = texts_of_run(&run);
        assert!(plain.keys().eq(found.keys()), "{what}");
        for (name, text) in &plain {
            // lines of records count line ends of any kind alike
            assert_eq!(found[name], *text, "{what}: {name}");
        }
    }
}

#[test]
fn a_name_with_a_line_break_is_read() {
    let tiny = study();
    change(&tiny, "legend.csv", |t| swap(t, "\"marsh, reed\"", "\"marsh,\nreed\""));
    let run = tiny.run_written();
    let classes = Table::of_run(&run, "habitat_loss_by_wetland_class");
    assert!(classes.0.iter().any(|row| row.values().any(|cell| cell == "marsh,\nreed")), "{:?}", classes.0);
}

/// File, what is changed in it, and what the refusal says.
type Case = (&'static str, fn(&str) -> Vec<u8>, &'static [&'static str]);

#[test]
fn dialects_that_are_not_are_refused_with_their_line() {
    const CASES: [Case; 30] = [
        (
            "climate.csv",
            |t| swap(t, "1990,1,", "1990,1,1,"),
            &["climate.csv:2: 4 columns, where the first line has 3", "decimal comma", "12.5"],
        ),
        (
            "climate.csv",
            |t| swap(&t.replace(',', ";"), "1990;1;", "1990;1;3,"),
            &["climate.csv:2: \"3,", "it has a decimal comma; write 3."],
        ),
        (
            "climate.csv",
            |t| with_value(t, "\"1,234\""),
            &["climate.csv:2: \"1,234\"", "decimal comma or stand between thousands", "1.234 or 1234"],
        ),
        (
            "climate.csv",
            |t| with_value(t, "\"1,234.5\""),
            &["climate.csv:2: \"1,234.5\"", "signs between thousands"],
        ),
        ("climate.csv", |t| with_value(t, "1'234.5"), &["climate.csv:2: ", "signs between thousands"]),
        (
            "climate.csv",
            |t| with_value(t, "NA"),
            &["climate.csv:2: \"NA\"", "it seems to stand for a missing value", "leave the cell empty"],
        ),
        ("climate.csv", |t| with_value(t, "nan"), &["climate.csv:2: \"nan\"", "leave the cell empty"]),
        (
            "climate.csv",
            |t| {
                let at = t.find("\n1991,6,").unwrap() + "\n1991,6,".len();
                let end = at + t[at..].find('\n').unwrap();
                [&t[..at], &t[end..]].concat().into_bytes()
            },
            &["climate.csv: column \"rain\" has no value for 1 of the months", "1991-06"],
        ),
        ("climate.csv", |t| with_value(t, "-9999"), &["climate.csv:2: -9999", "below 0"]),
        (
            "climate.csv",
            |t| with_value(t, "12 mm"),
            &["climate.csv:2: \"12 mm\" in column \"rain\" is not a number"],
        ),
        (
            "climate.csv",
            |t| swap(t, "1990,3,", "3/1990,1,"),
            &["climate.csv:4: \"3/1990\" and \"1\" are not a year and a month"],
        ),
        (
            "climate.csv",
            |t| swap(t, "1990,3,", "1990,1990-3,"),
            &["climate.csv:4: \"1990\" and \"1990-3\" are not"],
        ),
        ("climate.csv", |t| swap(t, "1990,3,", "1990,13,"), &["climate.csv:4: ", "month from 1 to 12"]),
        (
            "climate.csv",
            |t| swap(t, "year,", ""),
            &["climate.csv:1: has no column \"year\"; its columns are month, rain"],
        ),
        (
            "climate.csv",
            |t| t.split_once('\n').unwrap().1.as_bytes().to_vec(),
            &["climate.csv:1: has no column", "the first line holds values", "not names"],
        ),
        (
            "climate.csv",
            |t| swap(t, "month,rain", "year,rain"),
            &["climate.csv:1: column \"year\" stands 2 times"],
        ),
        (
            "climate.csv",
            |t| t.encode_utf16().flat_map(u16::to_le_bytes).collect(),
            &["climate.csv: the text is UTF-16, not UTF-8", "save the table as CSV in UTF-8"],
        ),
        (
            "climate.csv",
            |t| [b"\xfe\xff".to_vec(), t.encode_utf16().flat_map(u16::to_be_bytes).collect()].concat(),
            &["climate.csv: the text is UTF-16"],
        ),
        (
            "climate.csv",
            |_| b"PK\x03\x04 a workbook".to_vec(),
            &["climate.csv: is the workbook of a spreadsheet"],
        ),
        (
            "climate.csv",
            |_| Vec::new(),
            &["climate.csv: is empty; a table with the columns year, month, rain"],
        ),
        (
            "climate.csv",
            |t| swap(t, "1990,4,", "\"1990,4,"),
            &["climate.csv:5: a quotation mark is opened here and never closed"],
        ),
        (
            "legend.csv",
            |t| latin(t, "open pool"),
            &[
                "legend.csv:2: the line is not UTF-8; it looks like Latin-1 or Windows-1252",
                "save the table as CSV in UTF-8",
            ],
        ),
        (
            "legend.csv",
            |t| swap(t, "code,name,score", "code,name,score,score"),
            &["legend.csv:1: column \"score\" stands 2 times"],
        ),
        (
            "legend.csv",
            |t| swap(t, "\"marsh, reed\"", "marsh, reed"),
            &["legend.csv:3: 4 columns, where the first line has 3", "\"quotes\""],
        ),
        ("legend.csv", |t| swap(t, "1,open", "1.0,open"), &["legend.csv:2: code is \"1.0\"; a whole number"]),
        (
            "legend.csv",
            |t| swap(t, ",0.5", ",\"0,5\""),
            &["legend.csv:3: ", "\"0,5\"", "a score from 0 to 1"],
        ),
        (
            "legend.csv",
            |t| swap(t, "name", "label"),
            &["legend.csv:1: has no column \"name\"; its columns are code, label, score"],
        ),
        ("records.csv", |t| latin(t, "r2"), &["records.csv:4: the line is not UTF-8"]),
        (
            "records.csv",
            |t| swap(t, "decimalLatitude", "latitude"),
            &["records.csv:1: has no column \"decimalLatitude\""],
        ),
        (
            "records.csv",
            |t| swap(t, ",10,1995-01-03", ",10"),
            &["records.csv:2: 4 columns, where the first line has 5"],
        ),
    ];
    for (file, of, words) in CASES {
        let tiny = study();
        change(&tiny, file, of);
        tiny.refused_written(words);
    }
}

#[test]
fn dates_that_are_none_are_set_aside_with_their_reason() {
    let tiny = study();
    for (old, new) in [
        ("1995-01-03", "1/2/1991"),
        ("1995-02-03", "1991-1"),
        ("1995-03-03", "1991-02-30"),
        ("1995-04-03", "NA"),
    ] {
        change(&tiny, "records.csv", |t| swap(t, old, new));
    }
    let run = tiny.run_written();
    let aside = Table::of_run(&run, "records_set_aside");
    assert_eq!(aside.0.len(), 4);
    for (row, date) in aside.0.iter().zip(["1/2/1991", "1991-1", "1991-02-30", "NA"]) {
        let told = format!("{row:?}");
        for word in ["no date to tell the month by", date, "a date as 1995-03-07 is expected"] {
            assert!(told.contains(word), "{word:?} is not in {told}");
        }
    }
}

/// A locale with decimal commas, made here: neither tables nor rasters nor reference systems may be read by it.
#[test]
fn nothing_hangs_on_the_locale() {
    let folder = tempfile::tempdir().unwrap();
    let source = folder.path().join("comma.src");
    // a charmap of its own, since systems without sources of locales have none
    fs::write(folder.path().join("ASCII"), charmap()).unwrap();
    fs::write(
        &source,
        "comment_char %\nescape_char /\nLC_NUMERIC\ndecimal_point \"<U002C>\"\nthousands_sep \"<U002E>\"\ngrouping 3;3\nEND LC_NUMERIC\n",
    )
    .unwrap();
    let made = std::process::Command::new("localedef")
        .args(["-c", "-i"])
        .arg(&source)
        .arg("-f")
        .arg(folder.path().join("ASCII"))
        .arg(folder.path().join("xx_XX"))
        .output()
        .unwrap();
    assert!(folder.path().join("xx_XX/LC_NUMERIC").is_file(), "{}", String::from_utf8_lossy(&made.stderr));
    let with = |command: &mut std::process::Command| {
        command.env("LOCPATH", folder.path()).env("LC_NUMERIC", "xx_XX").env_remove("LC_ALL");
    };
    // the locale works: printf of the C library writes a comma
    let mut printf = std::process::Command::new("printf");
    with(&mut printf);
    assert_eq!(Outcome::of(printf.arg("%.1f").arg("1")).stdout, "1,0");
    let tiny = study();
    let plain = texts_of_run(&tiny.run_written());
    let mut run = lentic();
    with(&mut run);
    let out = tiny.folder().with_file_name("comma");
    Outcome::of(run.args(["run", "--quiet", "--keep-nothing"]).arg(tiny.study()).arg("--out").arg(&out))
        .done();
    assert_eq!(texts_of_run(&out), plain);
}

/// Printable ASCII as a character map.
fn charmap() -> String {
    let mut text = String::from("<code_set_name> ASCII\n<comment_char> %\n<escape_char> /\n\nCHARMAP\n");
    for code in 0..128u8 {
        text += &format!("<U{code:04X}> /x{code:02x} X\n");
    }
    text + "END CHARMAP\n"
}
