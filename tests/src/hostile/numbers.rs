//! Kept parts of a run, and matrices.

use super::with_file;
use lentic_engine::untrusted;
use lentic_numerics::{pairwise, stage_matrix};

const ADDRESS: [u8; 32] = [7; 32];

/// A kept part: read back it is what was written, or nothing. The bytes are a part of their own, what is to be kept, and changes of a
/// part (place and value), in turn.
pub(super) fn kept_part(bytes: &[u8]) {
    // whatever it is, whoever reads it gets what proves itself; the address of the bytes is taken for right
    let mut address = ADDRESS;
    if let Some(own) = bytes.get(8..40) {
        address.copy_from_slice(own);
    }
    with_file("0.part", bytes, |path| {
        untrusted::kept_part(path, address);
    });
    let (content, changes) = bytes.split_at(bytes.len() / 2);
    let (value, cells) = content.split_at(content.len() / 3);
    let whole = with_file("1.part", &[], |path| {
        untrusted::write_kept_part(path, ADDRESS, value, cells).expect("writing a part");
        assert_eq!(untrusted::kept_part(path, [8; 32]), None, "the part of another address");
        std::fs::read(path).expect("a part")
    });
    let mut changed = whole.clone();
    for change in changes.chunks_exact(3) {
        let at = usize::from(u16::from_le_bytes([change[0], change[1]])) % changed.len();
        changed[at] ^= change[2];
    }
    let found = with_file("1.part", &changed, |path| untrusted::kept_part(path, ADDRESS));
    match found {
        Some((read, with)) => assert!(read == value && with == cells, "an altered part is believed"),
        None => assert_ne!(whole, changed, "a whole part does not come back"),
    }
}

/// A square matrix: the first byte tells its size, then numbers of 8 bytes each, the rest 0. Pairwise weights and growth of a population.
pub(super) fn matrix(bytes: &[u8]) {
    let Some((size, numbers)) = bytes.split_first() else { return };
    let size = usize::from(*size % 12);
    let numbers: Vec<f64> =
        numbers.as_chunks::<8>().0.iter().map(|eight| f64::from_le_bytes(*eight)).collect();
    let number = |at: usize| numbers.get(at).copied().unwrap_or(0.0);
    let matrix: Vec<Vec<f64>> =
        (0..size).map(|row| (0..size).map(|col| number(row * size + col)).collect()).collect();
    if let Ok(growth) = stage_matrix::growth(&matrix) {
        assert!(growth.lambda > 0.0 && growth.lambda.is_finite(), "{growth:?}");
        let stable: f64 = growth.stable.iter().sum();
        assert!((stable - 1.0).abs() < 1e-9, "{growth:?}");
        assert!(
            growth.stable.iter().chain(&growth.value).all(|share| share.is_finite() && *share >= 0.0),
            "{growth:?}"
        );
        assert!(
            growth.elasticity.iter().flatten().all(|share| share.is_finite() && *share >= 0.0),
            "{growth:?}"
        );
    }
    if pairwise::weights(&matrix).is_ok() {
        judge(&matrix);
    }
    // above the diagonal as it is, below it what that asks for
    let mut mirrored = matrix;
    let above = mirrored.clone();
    for (row, cells) in mirrored.iter_mut().enumerate() {
        for (col, cell) in cells.iter_mut().enumerate().take(row) {
            *cell = 1.0 / above[col][row];
        }
        cells[row] = 1.0;
    }
    if pairwise::weights(&mirrored).is_ok() {
        judge(&mirrored);
    }
}

/// Weights of a matrix that is taken are shares.
fn judge(matrix: &[Vec<f64>]) {
    let found = pairwise::weights(matrix).expect("it is taken");
    let sum: f64 = found.weights.iter().sum();
    assert!((sum - 1.0).abs() < 1e-9, "{found:?} of {matrix:?}");
    assert!(
        found.weights.iter().all(|weight| weight.is_finite() && *weight >= 0.0),
        "{found:?} of {matrix:?}"
    );
    assert!(found.consistency_ratio.is_finite() && found.consistency_ratio >= 0.0, "{found:?} of {matrix:?}");
}
