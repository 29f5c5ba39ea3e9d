//! The last messages of each topic from boards that do not number their
//! samples: what is sent again with the DUP flag is known by its digest.

use std::collections::VecDeque;

use rusqlite::{Connection, params};

use crate::store::{Doing, StoreError};

/// Digests remembered for each topic.
pub(crate) const DIGESTS_A_TOPIC: usize = 64;

/// The same on every machine and in every version.
static CRC_64: crc::Crc<u64> = crc::Crc::<u64>::new(&crc::CRC_64_XZ);

/// CRC-64/XZ of a message.
pub(crate) fn digest(bytes: &[u8]) -> u64 {
    CRC_64.checksum(bytes)
}

pub(crate) fn read_digests(
    connection: &Connection,
    topic: &str,
) -> Result<VecDeque<u64>, StoreError> {
    let mut statement = connection
        .prepare_cached(
            "SELECT digest FROM uncounted WHERE topic = ?1 ORDER BY slot",
        )
        .reading()?;
    let rows = statement
        .query_map([topic], |row| row.get::<_, i64>(0))
        .reading()?
        .collect::<Result<Vec<_>, _>>()
        .reading()?;
    Ok(rows.into_iter().map(i64::cast_unsigned).collect())
}

pub(crate) fn keep_digest(
    connection: &Connection,
    topic: &str,
    digest: u64,
) -> Result<(), StoreError> {
    connection
        .prepare_cached(
            "INSERT INTO uncounted (topic, slot, digest) VALUES (?1, \
             (SELECT coalesce(max(slot), 0) + 1 FROM uncounted \
             WHERE topic = ?1), ?2)",
        )
        .writing()?
        .execute(params![topic, digest.cast_signed()])
        .writing()?;
    connection
        .prepare_cached(
            "DELETE FROM uncounted WHERE topic = ?1 AND slot <= \
             (SELECT max(slot) FROM uncounted WHERE topic = ?1) - ?2",
        )
        .writing()?
        .execute(params![
            topic,
            i64::try_from(DIGESTS_A_TOPIC).expect("a small number")
        ])
        .writing()?;
    Ok(())
}
