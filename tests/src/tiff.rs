//! GeoTIFF files spoilt on purpose: their directories are found by the layout of TIFF 6.0 (section 2), and fields, numbers and bytes changed.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// Fields whose change has a name of its own: TIFF 6.0, the GeoTIFF standard (OGC 19-008r4), and GDAL's own 42113.
const FIELDS: [(u16, &str); 21] = [
    (256, "width"),
    (257, "length"),
    (258, "bits per sample"),
    (259, "compression"),
    (262, "photometric"),
    (273, "strip offsets"),
    (277, "samples per pixel"),
    (278, "rows per strip"),
    (279, "strip bytes"),
    (284, "planar"),
    (317, "predictor"),
    (322, "tile width"),
    (323, "tile length"),
    (324, "tile offsets"),
    (325, "tile bytes"),
    (339, "sample format"),
    (33550, "pixel scale"),
    (33922, "tie points"),
    (34735, "keys of the reference system"),
    (34736, "numbers of the reference system"),
    (42113, "no data"),
];

/// A field of a directory of a little-endian classic TIFF.
#[derive(Clone, Copy, Debug)]
struct Field {
    tag: u16,
    kind: u16,
    count: usize,
    /// Where its values stand.
    values: usize,
    /// Where its twelve bytes stand.
    entry: usize,
}

fn u16_at(bytes: &[u8], at: usize) -> u16 {
    u16::from_le_bytes([bytes[at], bytes[at + 1]])
}

fn u32_at(bytes: &[u8], at: usize) -> usize {
    u32::from_le_bytes([bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]]) as usize
}

fn size(kind: u16) -> usize {
    match kind {
        3 | 8 => 2,
        4 | 9 | 11 => 4,
        5 | 10 | 12 => 8,
        _ => 1,
    }
}

/// Directories of a sound file: for each its fields and where the offset of the next stands.
fn directories(bytes: &[u8]) -> Vec<(Vec<Field>, usize)> {
    assert!(bytes.starts_with(b"II\x2a\0"), "a little-endian classic TIFF");
    let mut all = Vec::new();
    let mut at = u32_at(bytes, 4);
    while at != 0 {
        let count = usize::from(u16_at(bytes, at));
        let field = |n: usize| {
            let entry = at + 2 + 12 * n;
            let (tag, kind, count) =
                (u16_at(bytes, entry), u16_at(bytes, entry + 2), u32_at(bytes, entry + 4));
            let values = if count * size(kind) <= 4 { entry + 8 } else { u32_at(bytes, entry + 8) };
            Field { tag, kind, count, values, entry }
        };
        let next = at + 2 + 12 * count;
        all.push(((0..count).map(field).collect(), next));
        at = u32_at(bytes, next);
    }
    all
}

/// Spoils a file, the same way for the same number; says what was done.
pub fn spoilt(bytes: &[u8], number: u64) -> (String, Vec<u8>) {
    let mut random = ChaCha8Rng::seed_from_u64(number);
    let mut below = |limit: usize| (random.next_u64() % limit.max(1) as u64) as usize;
    let all = directories(bytes);
    let mut out = bytes.to_vec();
    let (fields, next) = &all[if below(4) == 0 { below(all.len()) } else { 0 }];
    let known: Vec<&Field> = fields.iter().filter(|f| FIELDS.iter().any(|(tag, _)| *tag == f.tag)).collect();
    let done = match below(10) {
        0 => {
            out.truncate(below(bytes.len()));
            format!("cut to {} of {} bytes", out.len(), bytes.len())
        }
        1 => {
            let bits = 1 + below(8);
            for _ in 0..bits {
                out[below(bytes.len())] ^= 1 << below(8);
            }
            format!("{bits} bits turned anywhere")
        }
        2 => {
            let end = fields.iter().map(|f| f.entry + 12).max().unwrap_or(8);
            let at = below(end.min(bytes.len()));
            out[at] ^= 1 << below(8);
            format!("a bit turned in byte {at} of the head")
        }
        3 => {
            let target = [u32_at(bytes, 4), fields[0].entry - 2, bytes.len() + 1000, 0xffff_fff0][below(4)];
            out[*next..next + 4].copy_from_slice(&(target as u32).to_le_bytes());
            format!("the next directory at {target}")
        }
        4 => {
            let field = known[below(known.len())];
            let count = [0u32, 1, 2, 65_535, 0xffff_ffff][below(5)];
            out[field.entry + 4..field.entry + 8].copy_from_slice(&count.to_le_bytes());
            format!("field {} of {count} values", name(field.tag))
        }
        5 => {
            let field = known[below(known.len())];
            let kind = [0u16, 1, 2, 3, 4, 5, 11, 12, 16, 99][below(10)];
            out[field.entry + 2..field.entry + 4].copy_from_slice(&kind.to_le_bytes());
            format!("field {} of type {kind}", name(field.tag))
        }
        6 => {
            let field = known[below(known.len())];
            let offset = [0, bytes.len() - 1, bytes.len() + 5, 0xffff_ffff][below(4)];
            out[field.entry + 8..field.entry + 12].copy_from_slice(&(offset as u32).to_le_bytes());
            format!("values of {} at {offset}", name(field.tag))
        }
        _ => {
            let field = known[below(known.len())];
            let at = field.values + below(field.count) * size(field.kind);
            let told = match field.kind {
                12 => {
                    let value = [f64::NAN, f64::INFINITY, 0.0, -30.0, 1e300, 1e-300, 30.5, 1e9][below(8)];
                    out[at..at + 8].copy_from_slice(&value.to_le_bytes());
                    value.to_string()
                }
                kind => {
                    let value = [
                        0u32,
                        1,
                        2,
                        3,
                        5,
                        7,
                        8,
                        16,
                        17,
                        32,
                        64,
                        255,
                        32_773,
                        50_000,
                        65_535,
                        1 << 20,
                        0x7fff_ffff,
                        0xffff_ffff,
                    ][below(18)];
                    let width = size(kind);
                    out[at..at + width].copy_from_slice(&value.to_le_bytes()[..width]);
                    value.to_string()
                }
            };
            format!("a value of {} is {told}", name(field.tag))
        }
    };
    (done, out)
}

fn name(tag: u16) -> String {
    let known = FIELDS.iter().find(|(own, _)| *own == tag);
    known.map_or_else(|| tag.to_string(), |(_, name)| (*name).to_string())
}
