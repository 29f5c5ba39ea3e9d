//! How a value is kept: an integer of thousandths where that is exact, else
//! the number itself. Reading gives back the very same `f64`.

use rusqlite::types::{ToSqlOutput, Value, ValueRef};

use crate::store::StoreError;

const THOUSAND: f64 = 1000.0;
/// Above this, thousandths save no space.
const LARGEST: f64 = 1.0e9;

/// A value on its way into the `reading` table.
pub(crate) fn packed(value: f64) -> ToSqlOutput<'static> {
    let thousandths = (value * THOUSAND).round();
    #[allow(
        clippy::float_cmp,
        reason = "only a value that comes back bit for bit is packed"
    )]
    let exact = thousandths.abs() < LARGEST && thousandths / THOUSAND == value;
    // −0.0 would come back as 0.0.
    if exact && !(value == 0.0 && value.is_sign_negative()) {
        #[allow(
            clippy::cast_possible_truncation,
            reason = "a whole number below the limit above"
        )]
        let whole = thousandths as i64;
        ToSqlOutput::Owned(Value::Integer(whole))
    } else {
        ToSqlOutput::Owned(Value::Real(value))
    }
}

/// A value on its way out.
pub(crate) fn unpacked(stored: ValueRef<'_>) -> Result<f64, StoreError> {
    match stored {
        ValueRef::Integer(thousandths) => {
            #[allow(
                clippy::cast_precision_loss,
                reason = "below the limit above, so exact"
            )]
            let value = thousandths as f64;
            Ok(value / THOUSAND)
        }
        ValueRef::Real(value) => Ok(value),
        other => Err(StoreError::Damaged {
            what: "reading".to_owned(),
            why: format!("its value is {}", other.data_type()),
        }),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use rusqlite::ToSql;

    use super::*;

    fn there_and_back(value: f64) -> f64 {
        let packed = packed(value);
        let stored = packed.to_sql().unwrap();
        match stored {
            ToSqlOutput::Borrowed(value) => unpacked(value).unwrap(),
            ToSqlOutput::Owned(value) => {
                unpacked(ValueRef::from(&value)).unwrap()
            }
            _ => unreachable!("a plain value"),
        }
    }

    proptest! {
        #[test]
        fn every_number_comes_back_as_it_was(
            value in proptest::num::f64::NORMAL | proptest::num::f64::ZERO,
            tenths in -600_i32..2_000_000,
        ) {
            prop_assert_eq!(there_and_back(value).to_bits(), value.to_bits());
            let sensor = f64::from(tenths) / 10.0;
            prop_assert_eq!(there_and_back(sensor).to_bits(), sensor.to_bits());
        }
    }
}
