//! Cells of tables, picked and left out.

use lentic_report::{Column, Table, Values};

/// A column by its name.
pub fn column<'t>(table: &'t Table, name: &str) -> Option<&'t Column> {
    table.columns.iter().find(|column| column.name == name)
}

/// Words of a column; none where there is no such column of words.
pub fn words(table: &Table, name: &str) -> Vec<Option<String>> {
    match column(table, name).map(|column| &column.values) {
        Some(Values::Text(cells)) => cells.clone(),
        _ => vec![None; table.rows()],
    }
}

/// Whole numbers of a column.
pub fn whole(table: &Table, name: &str) -> Vec<Option<i64>> {
    match column(table, name).map(|column| &column.values) {
        Some(Values::Integer(cells)) => cells.clone(),
        _ => vec![None; table.rows()],
    }
}

/// Numbers of a column.
pub fn numbers(table: &Table, name: &str) -> Vec<Option<f64>> {
    match column(table, name).map(|column| &column.values) {
        Some(Values::Real(cells)) => cells.clone(),
        _ => vec![None; table.rows()],
    }
}

/// The table with these rows, in this order.
pub fn with_rows(table: &Table, rows: &[usize]) -> Table {
    fn pick<T: Clone>(cells: &[Option<T>], rows: &[usize]) -> Vec<Option<T>> {
        rows.iter().map(|row| cells.get(*row).cloned().flatten()).collect()
    }
    let picked = |column: &Column| Column {
        values: match &column.values {
            Values::Text(cells) => Values::Text(pick(cells, rows)),
            Values::Integer(cells) => Values::Integer(pick(cells, rows)),
            Values::Real(cells) => Values::Real(pick(cells, rows)),
        },
        ..column.clone()
    };
    Table { columns: table.columns.iter().map(picked).collect(), ..table.clone() }
}

/// The table with the rows that `keep` wants.
pub fn filtered(table: &Table, keep: impl Fn(usize) -> bool) -> Table {
    let rows: Vec<usize> = (0..table.rows()).filter(|row| keep(*row)).collect();
    with_rows(table, &rows)
}

/// The table without these columns.
pub fn without(mut table: Table, names: &[&str]) -> Table {
    table.columns.retain(|column| !names.contains(&column.name.as_str()));
    table
}

/// Every number of a table passed through `round`.
pub fn rounded(mut table: Table, round: impl Fn(f64) -> f64) -> Table {
    for column in &mut table.columns {
        if let Values::Real(cells) = &mut column.values {
            cells.iter_mut().flatten().for_each(|cell| *cell = round(*cell));
        }
    }
    table
}
