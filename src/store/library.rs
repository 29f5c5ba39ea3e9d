//! Which releases of the SQLite library may write a grower's data.
//!
//! From 3.7.0 to 3.51.2 two connections that write and checkpoint at one
//! instant can lose committed pages or damage the file (sqlite.org, "The
//! WAL-reset bug"). Our own library is built in and newer; this guards a
//! program that was linked otherwise.

/// Whether a release, by its number (3.51.3 is 3051003), is free of the
/// fault: before it came, after it was mended, or one of the older lines
/// that got the repair, 3.44.6 and 3.50.7.
#[must_use]
pub const fn is_sound(version: i32) -> bool {
    !matches!(version, 3_007_000..=3_051_002)
        || matches!(version, 3_044_006..=3_044_999 | 3_050_007..=3_050_999)
}

/// The number of the library in use, and its name.
#[must_use]
pub fn in_use() -> (i32, &'static str) {
    (rusqlite::version_number(), rusqlite::version())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bounds: sqlite.org/wal.html, "The WAL-reset bug" (read second-hand,
    /// from notes on that page).
    #[test]
    fn the_range_with_the_fault_is_refused_and_its_repairs_are_not() {
        let sound = [
            3_006_023, 3_044_006, 3_044_010, 3_050_007, 3_050_008, 3_051_003,
            3_052_000, 3_054_001, 4_000_000,
        ];
        let bad = [
            3_007_000, 3_040_001, 3_043_999, 3_044_000, 3_044_005, 3_045_000,
            3_049_999, 3_050_000, 3_050_006, 3_051_000, 3_051_002,
        ];
        for version in sound {
            assert!(is_sound(version), "{version}");
        }
        for version in bad {
            assert!(!is_sound(version), "{version}");
        }
    }

    #[test]
    fn the_library_that_is_built_in_is_sound() {
        let (number, name) = in_use();
        assert!(is_sound(number), "{name}");
    }
}
