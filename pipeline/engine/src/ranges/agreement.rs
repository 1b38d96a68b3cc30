//! Classes of how many members agree that a cell is habitat.

/// Bounds of the classes of agreement, shares of members (ours).
pub const AGREEMENT: [f64; 4] = [0.05, 1.0 / 3.0, 2.0 / 3.0, 0.95];
/// Code of cells that are not compared.
pub const NOT_COMPARED: u8 = 255;

/// The class of a share of members.
pub fn agreement(share: f64) -> u8 {
    // the outer classes hold their bounds
    match share {
        share if share <= AGREEMENT[0] => 0,
        share if share < AGREEMENT[1] => 1,
        share if share <= AGREEMENT[2] => 2,
        share if share < AGREEMENT[3] => 3,
        _ => 4,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn classes_of_agreement() {
        let classes: Vec<u8> =
            [0.0, 0.05, 0.06, 0.33, 0.34, 0.5, 0.66, 0.67, 0.94, 0.95, 1.0].map(agreement).into();
        assert_eq!(classes, [0, 0, 1, 1, 2, 2, 2, 3, 3, 4, 4]);
    }
}
