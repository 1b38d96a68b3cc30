//! Dialects of tables, each read or refused with its line.

use super::*;

fn read_bytes(bytes: &[u8]) -> Result<TextTable, String> {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("t.csv");
    std::fs::write(&file, bytes).unwrap();
    let place = format!("{}/", dir.path().display());
    let told = |p: Problem| p.to_string().replace(&place, "");
    let mut table = TextTable::read(&file, &["code", "name"], Letters::Utf8).map_err(told)?;
    match table.uneven.pop() {
        Some(p) => Err(told(p)),
        None => Ok(table),
    }
}

fn cells(table: &TextTable) -> Vec<Vec<&str>> {
    table.rows.iter().map(|row| row.cells.iter().map(String::as_str).collect()).collect()
}

const PLAIN: &str = "code,name\n1,pool\n2,marsh\n";

#[test]
fn what_is_certain_is_read_alike() {
    let plain = read_bytes(PLAIN.as_bytes()).unwrap();
    assert_eq!(cells(&plain), [["1", "pool"], ["2", "marsh"]]);
    let alike = [
        format!("\u{feff}{PLAIN}"),
        PLAIN.replace('\n', "\r\n"),
        PLAIN.replace('\n', "\r"),
        PLAIN.replace(',', ";"),
        PLAIN.replace(',', "\t"),
        PLAIN.replace(',', " , "),
        PLAIN.replace('\n', ",\n"),
        PLAIN.replace('\n', ",,,\n"),
        format!("{PLAIN}\n\r\n,\n,,,\n  \n"),
        format!("\n\n{PLAIN}"),
        PLAIN.trim_end().to_string(),
        "\"code\",\"name\"\n\"1\",\"pool\"\n2,\"marsh\"".to_string(),
    ];
    for text in alike {
        assert_eq!(cells(&read_bytes(text.as_bytes()).unwrap()), cells(&plain), "{text:?}");
    }
    let quoted = read_bytes(b"code,name\n1,\"pool,\nold \"\"deep\"\" one\"\n2,marsh\n").unwrap();
    assert_eq!(cells(&quoted), [["1", "pool,\nold \"deep\" one"], ["2", "marsh"]]);
    assert_eq!(quoted.rows[1].place.line, 4);
    let named = read_bytes(b"CODE;Name, in English\n1;pool\n").unwrap();
    assert_eq!((named.delimiter, named.column("code")), (b';', Ok(Some(0))));
}

#[test]
fn places_are_those_of_the_file() {
    for text in ["\u{feff}code,name\r\n\r\n1,pool\r\n2,marsh\r\n", "code,name\r\r1,pool\r2,marsh\r"] {
        let table = read_bytes(text.as_bytes()).unwrap();
        let found: Vec<_> =
            table.rows.iter().map(|row| (row.place.line, &text[row.place.start..row.place.end])).collect();
        assert_eq!(found, [(3, "1,pool"), (4, "2,marsh")], "{text:?}");
    }
}

#[test]
fn what_is_not_is_refused() {
    let utf16: Vec<u8> = PLAIN.encode_utf16().flat_map(u16::to_le_bytes).collect();
    let with_mark = [&[0xff, 0xfe][..], &utf16].concat();
    let cases: [(&[u8], &str); 12] = [
        (
            b"code,name\n1,pool\n2,\xe9tang\n",
            "t.csv:3: the line is not UTF-8; it looks like Latin-1 or Windows-1252 (save",
        ),
        (&utf16, "t.csv: the text is UTF-16, not UTF-8 (save the table as CSV in UTF-8)"),
        (&with_mark, "t.csv: the text is UTF-16"),
        (b"PK\x03\x04abc", "t.csv: is the workbook of a spreadsheet"),
        (b"code,name\n1,po\0ol\n2,marsh\n", "t.csv: holds bytes of 0"),
        (b"", "t.csv: is empty; a table with the columns code, name is expected"),
        (b" \r\n\n", "t.csv: is empty"),
        (b"code,name\n1,\"pool\n2,marsh\n", "t.csv:2: a quotation mark is opened here and never closed"),
        (
            b"code,name\n1,pool, open\n",
            "t.csv:2: 3 columns, where the first line has 2 (put a name that holds a comma",
        ),
        (b"code,name\n1,2,5\n", "t.csv:2: 3 columns, where the first line has 2 (a decimal comma splits"),
        (b"code,name\n\n1\n", "t.csv:3: 1 columns, where the first line has 2 (give every cell"),
        (b"code,name\n1,a;b\n2,marsh,x\n", "t.csv:3: 3 columns"),
    ];
    for (bytes, said) in cases {
        let found = read_bytes(bytes).unwrap_err();
        assert!(found.starts_with(said), "{said:?}, found {found:?}");
    }
}

#[test]
fn columns_are_found_or_named() {
    let columns = |text: &str| {
        let table = read_bytes(text.as_bytes()).unwrap();
        let found = table.columns_of(&["code", "name"], "name them");
        found.map_err(|p| p.to_string().split_once("t.csv").unwrap().1.to_string())
    };
    assert_eq!(columns("name,x,Code\n"), Ok(vec![2, 0]));
    // the very name goes before one in other case
    assert_eq!(columns("CODE,code,name\n"), Ok(vec![1, 2]));
    let said = columns("code,name,code\n").unwrap_err();
    assert!(said.starts_with(":1: column \"code\" stands 2 times"), "{said}");
    let said = columns("\nkey,name\n").unwrap_err();
    assert_eq!(said, ":2: has no column \"code\"; its columns are key, name (name them)");
    let said = columns("1,2.5\n2,3\n").unwrap_err();
    assert!(
        said.contains(
            ":1: has no column \"code\" and \"name\": the first line holds values (1, 2.5), not names"
        ),
        "{said}"
    );
}

#[test]
fn why_a_cell_is_no_number() {
    for (text, expected) in [
        ("12,5", ": it has a decimal comma; write 12.5"),
        ("-0,125", ": it has a decimal comma; write -0.125"),
        ("1,234", ": its comma may be a decimal comma or stand between thousands; write 1.234 or 1234"),
        ("1,234.5", ": it has signs between thousands"),
        ("1.234,5", ": it has signs between thousands"),
        ("1 234", ": it has signs between thousands"),
        ("1'234'567", ": it has signs between thousands"),
        ("NA", ": it seems to stand for a missing value"),
        ("nan", ": it seems to stand for a missing value"),
        ("\u{2212}3", ": its sign is a typographic minus"),
        ("ten", ""),
        ("", ""),
        ("inf", ""),
        ("1991-1", ""),
    ] {
        let found = why_no_number(text);
        assert!(
            if expected.is_empty() { found.is_empty() } else { found.starts_with(expected) },
            "{text}: {found}"
        );
    }
}
