//! Room on a disk.

use std::path::Path;

/// What a full disk still gives to small files, bytes: below it a write that failed is taken to have failed for want of room.
const NEXT_TO_NOTHING: u64 = 1 << 20;

/// What a file system has left for this user.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Room {
    /// Bytes.
    pub bytes: u64,
    /// Files and folders; `None` where the file system does not count them.
    pub files: Option<u64>,
}

impl Room {
    /// Of the file system that holds `path`, or would hold it: of the nearest folder above it that is there. `None` where the system
    /// does not tell.
    #[must_use]
    pub fn at(path: &Path) -> Option<Room> {
        let path = std::path::absolute(path).ok()?;
        let found = path.ancestors().find_map(|folder| rustix::fs::statvfs(folder).ok())?;
        let files = (found.f_files > 0).then_some(found.f_favail);
        Some(Room { bytes: found.f_bavail.saturating_mul(found.f_frsize), files })
    }

    /// Whether next to nothing is left.
    #[must_use]
    pub fn is_spent(self) -> bool {
        self.bytes < NEXT_TO_NOTHING || self.files == Some(0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn room_is_that_of_the_nearest_folder_there_is() {
        let folder = tempfile::tempdir().unwrap();
        let here = Room::at(folder.path()).unwrap();
        assert!(here.bytes > 0 && !here.is_spent(), "{here:?}");
        assert!(Room::at(&folder.path().join("not/there/yet")).is_some());
        assert!(Room { bytes: 4096, files: None }.is_spent());
        assert!(Room { bytes: u64::MAX, files: Some(0) }.is_spent());
    }
}
