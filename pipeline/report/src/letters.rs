//! A few letters as pixels, for labels on pictures: five columns by seven rows, drawn for this program.

/// Rows of a letter.
pub(crate) const HEIGHT: usize = 7;
/// Columns of a letter.
const COLUMNS: usize = 5;
/// Columns from one letter to the next.
const STEP: usize = COLUMNS + 1;

/// Rows from top to bottom; the highest of five bits is the leftmost pixel.
const LETTERS: [(char, [u8; HEIGHT]); 25] = [
    ('0', [0b01110, 0b10001, 0b10011, 0b10101, 0b11001, 0b10001, 0b01110]),
    ('1', [0b00100, 0b01100, 0b00100, 0b00100, 0b00100, 0b00100, 0b01110]),
    ('2', [0b01110, 0b10001, 0b00001, 0b00110, 0b01000, 0b10000, 0b11111]),
    ('3', [0b11110, 0b00001, 0b00001, 0b01110, 0b00001, 0b00001, 0b11110]),
    ('4', [0b00010, 0b00110, 0b01010, 0b10010, 0b11111, 0b00010, 0b00010]),
    ('5', [0b11111, 0b10000, 0b11110, 0b00001, 0b00001, 0b10001, 0b01110]),
    ('6', [0b00110, 0b01000, 0b10000, 0b11110, 0b10001, 0b10001, 0b01110]),
    ('7', [0b11111, 0b00001, 0b00010, 0b00100, 0b01000, 0b01000, 0b01000]),
    ('8', [0b01110, 0b10001, 0b10001, 0b01110, 0b10001, 0b10001, 0b01110]),
    ('9', [0b01110, 0b10001, 0b10001, 0b01111, 0b00001, 0b00010, 0b01100]),
    ('-', [0b00000, 0b00000, 0b00000, 0b01110, 0b00000, 0b00000, 0b00000]),
    ('a', [0b00000, 0b00000, 0b01110, 0b00001, 0b01111, 0b10001, 0b01111]),
    ('d', [0b00001, 0b00001, 0b01101, 0b10011, 0b10001, 0b10011, 0b01101]),
    ('e', [0b00000, 0b00000, 0b01110, 0b10001, 0b11111, 0b10000, 0b01110]),
    ('l', [0b01100, 0b00100, 0b00100, 0b00100, 0b00100, 0b00100, 0b01110]),
    ('m', [0b00000, 0b00000, 0b11010, 0b10101, 0b10101, 0b10101, 0b10101]),
    ('n', [0b00000, 0b00000, 0b10110, 0b11001, 0b10001, 0b10001, 0b10001]),
    ('o', [0b00000, 0b00000, 0b01110, 0b10001, 0b10001, 0b10001, 0b01110]),
    ('p', [0b00000, 0b00000, 0b11110, 0b10001, 0b11110, 0b10000, 0b10000]),
    ('r', [0b00000, 0b00000, 0b10110, 0b11001, 0b10000, 0b10000, 0b10000]),
    ('s', [0b00000, 0b00000, 0b01111, 0b10000, 0b01110, 0b00001, 0b11110]),
    ('t', [0b01000, 0b01000, 0b11100, 0b01000, 0b01000, 0b01001, 0b00110]),
    ('w', [0b00000, 0b00000, 0b10001, 0b10001, 0b10101, 0b10101, 0b01010]),
    ('y', [0b00000, 0b10001, 0b10001, 0b10001, 0b01111, 0b00001, 0b01110]),
    (' ', [0; HEIGHT]),
];

/// Pixels a text is wide.
pub(crate) fn width(text: &str) -> usize {
    (text.chars().count() * STEP).saturating_sub(1)
}

/// The pixels of a text: from the left, from the top. Letters that are not there are left blank.
pub(crate) fn draw(text: &str) -> impl Iterator<Item = (usize, usize)> + '_ {
    text.chars().enumerate().flat_map(|(at, letter)| {
        let found = LETTERS.iter().find(|(known, _)| *known == letter);
        let rows = found.map_or([0; HEIGHT], |(_, rows)| *rows);
        (0..HEIGHT * COLUMNS).filter_map(move |pixel| {
            let (row, column) = (pixel / COLUMNS, pixel % COLUMNS);
            (rows[row] >> (COLUMNS - 1 - column) & 1 == 1).then_some((at * STEP + column, row))
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::palette::water_classes;

    #[test]
    fn every_letter_of_the_legend_and_of_months_is_there_and_its_own() {
        let words: String = water_classes().iter().map(|class| class.name.to_lowercase()).collect();
        for letter in format!("{words}0123456789-").chars() {
            assert!(LETTERS.iter().any(|(known, _)| *known == letter), "{letter:?}");
        }
        for (i, (letter, rows)) in LETTERS.iter().enumerate() {
            assert!(LETTERS[..i].iter().all(|(_, other)| other != rows), "{letter:?}");
        }
    }

    #[test]
    fn a_text_lies_within_its_width() {
        let pixels: Vec<_> = draw("1-").collect();
        assert!(pixels.iter().all(|(x, y)| *x < width("1-") && *y < HEIGHT));
        assert!(pixels.contains(&(2, 0)) && pixels.contains(&(STEP + 2, 3)));
        assert_eq!(draw("?").count(), 0);
        assert_eq!(width(""), 0);
    }
}
