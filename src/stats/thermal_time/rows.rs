//! Counts between two amounts of warmth, ready for a likelihood.
//!
//! Nothing is fitted here.

/// Seeds that germinated between two amounts of warmth (decadic logarithms),
/// or not by the first.
#[derive(Clone, Copy)]
pub(super) struct WarmRow {
    pub(super) left: f64,
    pub(super) right: f64,
    pub(super) n: f64,
}

impl WarmRow {
    pub(super) fn germinated(&self) -> bool {
        self.right < f64::INFINITY
    }
}

/// Rows whose limits are looked up, because most serve two rows.
pub(super) struct WarmRows {
    pub(super) rows: Vec<WarmRow>,
    /// Every limit once, rising; the last is infinite.
    pub(super) limits: Vec<f64>,
    /// Positions of the left and right limit of each row.
    pub(super) at: Vec<(usize, usize)>,
}

impl WarmRows {
    pub(super) fn of(mut rows: Vec<WarmRow>) -> Self {
        let same = |a: f64, b: f64| a.total_cmp(&b).is_eq();
        rows.sort_by(|a, b| {
            a.left.total_cmp(&b.left).then(a.right.total_cmp(&b.right))
        });
        rows.dedup_by(|next, first| {
            let alike =
                same(next.left, first.left) && same(next.right, first.right);
            if alike {
                first.n += next.n;
            }
            alike
        });
        let mut limits: Vec<f64> =
            rows.iter().flat_map(|row| [row.left, row.right]).collect();
        limits.sort_by(f64::total_cmp);
        limits.dedup_by(|next, first| same(*next, *first));
        let find = |limit: f64| {
            limits.partition_point(|known| known.total_cmp(&limit).is_lt())
        };
        let at = rows.iter().map(|r| (find(r.left), find(r.right))).collect();
        Self { rows, limits, at }
    }

    /// Those that germinated once there was warmth at all.
    pub(super) fn seen(&self) -> impl Iterator<Item = &WarmRow> {
        let rows = self.rows.iter().filter(|row| row.germinated());
        rows.filter(|row| row.right > f64::NEG_INFINITY)
    }

    /// Mean logarithm of the warmth by which seeds had germinated.
    pub(super) fn middle(&self) -> f64 {
        let n: f64 = self.seen().map(|row| row.n).sum();
        self.seen().map(|row| row.n * row.right).sum::<f64>() / n.max(1.0)
    }
}
