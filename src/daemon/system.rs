//! The files that make the daemon a service of the machine.
//!
//! Only their text: they are written in `cli`. The same files go into the
//! Debian package.

use std::path::{Path, PathBuf};

/// The first words of each of them, by which they are known again.
pub const MARK: &str = "# Written by vernalog";
/// The data file of the machine.
pub const DATA: &str = "/var/lib/vernalog/vernalog.db";
/// The program in the unit, as the package puts it.
const PROGRAM: &str = "/usr/bin/vernalog";
/// Other media, in the unit.
const MEDIA: &str = "ReadWritePaths=-/media -/mnt\n";

/// A file of the system.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SystemFile {
    /// Where it belongs.
    pub path: &'static str,
    /// What is in it.
    pub text: String,
}

/// Unit, user and folder, for a program at this place and with backups to
/// this folder.
///
/// # Errors
/// A sentence, when a path cannot be written into a unit.
pub fn files(
    program: &Path,
    backups: Option<&Path>,
) -> Result<[SystemFile; 3], String> {
    let unit = include_str!("system/vernalog.service");
    let mut unit = unit.replace(PROGRAM, &in_a_unit(program)?);
    if let Some(folder) = backups {
        let more = format!("{MEDIA}ReadWritePaths=-{}\n", in_a_unit(folder)?);
        unit = unit.replace(MEDIA, &more);
    }
    Ok([
        SystemFile { path: "/etc/systemd/system/vernalog.service", text: unit },
        SystemFile {
            path: "/etc/sysusers.d/vernalog.conf",
            text: include_str!("system/sysusers.conf").to_owned(),
        },
        SystemFile {
            path: "/etc/tmpfiles.d/vernalog.conf",
            text: include_str!("system/tmpfiles.conf").to_owned(),
        },
    ])
}

/// What to do when the files are there.
#[must_use]
pub fn next_steps(new_files: &[PathBuf]) -> Vec<&'static str> {
    let mut steps = Vec::new();
    if !new_files.is_empty() {
        steps.extend([
            "systemd-sysusers vernalog.conf",
            "systemd-tmpfiles --create vernalog.conf",
            "systemctl daemon-reload",
        ]);
    }
    steps.extend([
        "systemctl enable --now vernalog",
        "adduser YOUR-NAME vernalog   # who is to record counts; log in again",
    ]);
    steps
}

/// A path as a unit can hold it: absolute, without blanks, quotes, or the
/// signs that mean something there.
fn in_a_unit(path: &Path) -> Result<String, String> {
    let text = path.to_str().filter(|text| {
        let plain = |c: char| c.is_ascii_alphanumeric() || "/._+-".contains(c);
        text.starts_with('/') && text.chars().all(plain)
    });
    text.map(str::to_owned).ok_or_else(|| {
        format!(
            "\"{}\" cannot be named in a unit: use an absolute path of \
             letters, digits, and . _ + -",
            path.display()
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_unit_names_the_program_and_the_folder_of_the_backups() {
        let [unit, ..] = files(
            Path::new("/opt/bin/vernalog"),
            Some(Path::new("/srv/copies")),
        )
        .unwrap();
        assert!(unit.text.contains("ExecStart=/opt/bin/vernalog run "));
        assert!(unit.text.contains("\nReadWritePaths=-/srv/copies\n"));
        assert!(!unit.text.contains(PROGRAM));
        files(Path::new("vernalog"), None).unwrap_err();
        files(Path::new("/home/a b/vernalog"), None).unwrap_err();
        files(Path::new("/opt/%h/vernalog"), None).unwrap_err();
    }

    #[test]
    fn every_file_is_known_by_its_first_words() {
        for file in files(Path::new(PROGRAM), None).unwrap() {
            assert!(file.text.starts_with(MARK), "{}", file.path);
        }
    }
}
