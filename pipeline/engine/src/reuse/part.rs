//! A kept part of a step: what it found on one tile, in a file that proves itself.
//!
//! Layout: 8 bytes that say what it is, the address of the part (32 bytes: which tile of which step it is), then two sections, the value and the cells. A section is its length as stored and its
//! length unpacked (8 bytes each, little-endian), the BLAKE3 of the unpacked bytes (32), and the bytes themselves, packed with
//! Zstandard. A part that is cut short, altered anywhere or put in the place of another does not
//! read back, and is computed anew.

use blake3::Hash;
use std::fs;
use std::io::{Read, Write};
use std::path::Path;

/// Says that a file is a part, and of which form.
const MAGIC: &[u8; 8] = b"lentic\x001";
/// Zstandard's level: most cells have no data, so that little is gained by looking longer.
const LEVEL: i32 = 1;
/// Longest section that is believed, bytes: what is longer is a damaged length.
const LONGEST: u64 = 1 << 33;

/// The two sections of a part, unpacked.
#[derive(Debug, PartialEq, Eq)]
pub struct Part {
    /// What was found on the tile.
    pub value: Vec<u8>,
    /// Its cells in files.
    pub cells: Vec<u8>,
}

impl Part {
    /// Tells a part from any other with other contents.
    pub fn digest(&self) -> Hash {
        of_two(blake3::hash(&self.value), blake3::hash(&self.cells))
    }

    /// Writes the part, whole or not at all, for its owner only.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn write(&self, path: &Path, address: &Hash) -> std::io::Result<Hash> {
        let mut bytes = MAGIC.to_vec();
        bytes.extend(address.as_bytes());
        let hashes = [section(&self.value, &mut bytes)?, section(&self.cells, &mut bytes)?];
        write_whole(path, &bytes)?;
        Ok(of_two(hashes[0], hashes[1]))
    }

    /// Reads a part back, with its digest; without its cells where they are not wanted (the digest is of both). `None` where it is not there, or
    /// not as it was written.
    pub fn read(path: &Path, address: &Hash, with_cells: bool) -> Option<(Self, Hash)> {
        let mut file = fs::File::open(path).ok()?;
        let mut begin = [0; 40];
        file.read_exact(&mut begin).ok()?;
        let (magic, own) = begin.split_first_chunk::<8>()?;
        if magic != MAGIC || own != address.as_bytes() {
            return None;
        }
        let (value, first) = unpacked(&mut file)?;
        if with_cells {
            let (cells, second) = unpacked(&mut file)?;
            let at_end = file.read(&mut [0; 1]).ok()? == 0;
            return at_end.then(|| (Part { value, cells }, of_two(first, second)));
        }
        let (_, _, second) = head(&mut file)?;
        Some((Part { value, cells: Vec::new() }, of_two(first, second)))
    }
}

/// Writes a file, whole or not at all, for its owner only.
///
/// # Errors
/// When the disk refuses.
pub fn write_whole(path: &Path, bytes: &[u8]) -> std::io::Result<()> {
    let folder = path.parent().unwrap_or(Path::new("."));
    // a name of its own: several programs may keep the same part at the same time; its mode is 0600
    let mut file = tempfile::Builder::new().prefix(".part-").tempfile_in(folder)?;
    file.write_all(bytes)?;
    file.persist(path).map(|_| ()).map_err(|error| error.error)
}

fn of_two(first: Hash, second: Hash) -> Hash {
    let mut hasher = blake3::Hasher::new();
    hasher.update(first.as_bytes());
    hasher.update(second.as_bytes());
    hasher.finalize()
}

fn section(content: &[u8], bytes: &mut Vec<u8>) -> std::io::Result<Hash> {
    let packed = zstd::bulk::compress(content, LEVEL)?;
    let hash = blake3::hash(content);
    bytes.extend((packed.len() as u64).to_le_bytes());
    bytes.extend((content.len() as u64).to_le_bytes());
    bytes.extend(hash.as_bytes());
    bytes.extend(packed);
    Ok(hash)
}

fn head(file: &mut fs::File) -> Option<(u64, u64, Hash)> {
    let mut head = [0; 48];
    file.read_exact(&mut head).ok()?;
    let number = |at: usize| head[at..at + 8].try_into().ok().map(u64::from_le_bytes);
    let hash: [u8; 32] = head[16..].try_into().ok()?;
    Some((number(0)?, number(8)?, Hash::from_bytes(hash)))
}

fn unpacked(file: &mut fs::File) -> Option<(Vec<u8>, Hash)> {
    let (stored, length, hash) = head(file)?;
    // a damaged length must not ask for memory: no section is longer than its file
    if length > LONGEST || stored > file.metadata().ok()?.len() {
        return None;
    }
    let mut packed = vec![0; stored as usize];
    file.read_exact(&mut packed).ok()?;
    let mut content = Vec::new();
    let mut reader = zstd::stream::Decoder::new(&packed[..]).ok()?.take(length + 1);
    reader.read_to_end(&mut content).ok()?;
    (content.len() as u64 == length && blake3::hash(&content) == hash).then_some((content, hash))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_part_comes_back_and_no_altered_one_does() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("0.part");
        let address = blake3::hash(b"the first tile of a step");
        let part =
            Part { value: b"what was found".to_vec(), cells: (0..2000u32).map(|i| (i % 7) as u8).collect() };
        let digest = part.write(&path, &address).unwrap();
        assert_eq!(digest, part.digest());
        assert_eq!(Part::read(&path, &address, true).unwrap(), (Part { ..part }, digest));
        let (value_only, same) = Part::read(&path, &address, false).unwrap();
        assert_eq!(
            (value_only.value.as_slice(), value_only.cells.len(), same),
            (&b"what was found"[..], 0, digest)
        );
        assert_eq!(Part::read(&path, &blake3::hash(b"the second"), true), None);
        let bytes = fs::read(&path).unwrap();
        let mut tried = 0;
        for at in 0..bytes.len() {
            for bit in 0..8 {
                let mut other = bytes.clone();
                other[at] ^= 1 << bit;
                fs::write(&path, &other).unwrap();
                // a bit that packing does not use may differ: then the contents are the same all the same
                if let Some((found, told)) = Part::read(&path, &address, true) {
                    assert_eq!(found.digest(), digest, "byte {at}, bit {bit}");
                    assert_eq!(told, digest);
                }
                tried += 1;
            }
        }
        assert_eq!(tried, 8 * bytes.len());
        for cut in 0..bytes.len() {
            fs::write(&path, &bytes[..cut]).unwrap();
            assert_eq!(Part::read(&path, &address, true), None, "cut at {cut}");
        }
        assert_eq!(Part::read(&folder.path().join("none"), &address, true), None);
    }
}
