//! Files around the data file: their names, and the room on the disk.

use std::fs::{File, Permissions};
use std::io;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

/// Room on a disk.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Space {
    /// What this program may still write, bytes.
    pub free_bytes: u64,
    /// The whole disk, bytes.
    pub total_bytes: u64,
}

/// The room on the disk that a folder is on.
///
/// # Errors
/// What the system says, such as that there is no such folder.
pub fn space(folder: &Path) -> io::Result<Space> {
    let found = rustix::fs::statvfs(folder)?;
    Ok(Space {
        free_bytes: found.f_bavail.saturating_mul(found.f_frsize),
        total_bytes: found.f_blocks.saturating_mul(found.f_frsize),
    })
}

/// A file beside another: the same name with something after it.
#[must_use]
pub fn beside(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(ending);
    PathBuf::from(name)
}

/// The folder of a file, also of one named without any.
#[must_use]
pub fn folder_of(path: &Path) -> &Path {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}

/// Lets those read and write a new file who may do so in its folder: the
/// daemon and the growers of its group, whoever made it.
///
/// # Errors
/// What the system says.
pub fn share_like_its_folder(path: &Path) -> io::Result<()> {
    let folder = std::fs::metadata(folder_of(path))?;
    let mode = folder.permissions().mode() & 0o666;
    std::fs::set_permissions(path, Permissions::from_mode(mode))
}

/// Bytes written ahead of the data file and not moved into it yet.
#[must_use]
pub fn bytes_ahead(data: &Path) -> u64 {
    size(&beside(data, "-wal"))
}

/// The size of a file; 0 when there is none.
pub(crate) fn size(path: &Path) -> u64 {
    std::fs::metadata(path).map_or(0, |metadata| metadata.len())
}

/// Waits until a file's bytes, or a folder's names, are on the disk.
pub(crate) fn sync(path: &Path) -> io::Result<()> {
    File::open(path)?.sync_all()
}
