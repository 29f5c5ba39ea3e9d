//! A count typed on the phone: understood, held against the seeds that are
//! left, and written; then the next unit of the round.
//!
//! The last word has the ledger's admission; what is said here before it is
//! only to say it beside the field.

use crate::observation::Name;
use crate::store::StoreError;
use crate::trial::entry::{Check, Counted, Draft, EntryId, Look, Statement};
use crate::trial::unit::Unit;
use crate::trial::when::When;
use crate::web::blind;
use crate::web::desk::{Answer, Desk, Tab, Written};
use crate::web::form::{Form, Reading, Wrong};
use crate::web::unit::{Tried, drawn, one};
use crate::web::units::{self, Here, link};
use crate::web::words::seeds;

/// The fields of a count.
pub(crate) const COUNTS: [&str; 4] =
    ["new", "mouldy_now", "removed_mould", "removed_other"];

/// Numbers of a look.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct Numbers {
    pub(crate) new: u32,
    pub(crate) mouldy_now: u32,
    pub(crate) removed_mould: u32,
    pub(crate) removed_other: u32,
}

impl Numbers {
    /// Reads them from fields whose names begin with `before`.
    pub(crate) fn read(
        reading: &mut Reading,
        form: &Form,
        before: &str,
    ) -> Self {
        let [new, mouldy_now, removed_mould, removed_other] =
            COUNTS.map(|name| reading.seeds(form, &format!("{before}{name}")));
        Self { new, mouldy_now, removed_mould, removed_other }
    }

    /// What to say when they cannot be, and beside which field.
    pub(crate) fn against(
        &self,
        unit: &Unit,
        called: &str,
    ) -> Option<(&str, String)> {
        let left = unit.left();
        let gone = self.new + self.removed_mould + self.removed_other;
        if gone > left {
            let field = match (self.new, self.removed_mould) {
                (1.., _) => COUNTS[0],
                (0, 1..) => COUNTS[2],
                (0, 0) => COUNTS[3],
            };
            return Some((
                field,
                format!(
                    "only {} left in {called} ({} of {} germinated before), and {} \
                     typed as germinated or removed; type only what is new \
                     since the last look",
                    are(left),
                    unit.germinated(),
                    unit.entered(),
                    are(gone),
                ),
            ));
        }
        let left = left - gone;
        (self.mouldy_now > left).then(|| {
            let told = format!(
                "{} mouldy, but only {} left after this count",
                are(self.mouldy_now),
                are(left)
            );
            (COUNTS[1], told)
        })
    }

    /// The look as the ledger keeps it.
    pub(crate) fn check(
        self,
        unit: &Name,
        looked: Look,
        note: String,
    ) -> Statement {
        Statement::Check(Check {
            unit: unit.clone(),
            germinated: Counted::New(self.new),
            mouldy_now: self.mouldy_now,
            removed_mould: self.removed_mould,
            removed_other: self.removed_other,
            medium: String::new(),
            looked,
            note,
            by: String::new(),
        })
    }
}

/// `1 seed is`, `2 seeds are`.
fn are(n: u32) -> String {
    format!("{} {}", seeds(n), if n == 1 { "is" } else { "are" })
}

/// Whether any count was typed, be it nought.
pub(crate) fn typed_any(form: &Form, before: &str) -> bool {
    COUNTS.iter().any(|name| !form.text(&format!("{before}{name}")).is_empty())
}

/// `POST /u/…/count`
pub(crate) fn record(
    desk: &Desk,
    text: &str,
    form: &Form,
) -> Result<Answer, StoreError> {
    let here = match one(desk, text) {
        Ok(here) => here,
        Err(answer) => return Ok(answer),
    };
    let mut reading = Reading::default();
    let statement = understood(desk, here, form, &mut reading);
    if desk.was_written(form)? {
        return Ok(go_on(desk, here, form, None));
    }
    if !reading.wrong.is_empty() {
        return Ok(again(desk, here, "count", form, reading.wrong));
    }
    let when = When::exactly(desk.looked_at(form));
    let draft = Draft::new(Some(&here.trial.name), when, statement);
    let written = match desk.record(&[draft], form)? {
        Written::Refused(refused) => {
            let wrong = whole(desk, &refused);
            return Ok(again(desk, here, "count", form, wrong));
        }
        Written::Now(id) => id,
        Written::Before => None,
    };
    Ok(go_on(desk, here, form, written))
}

fn understood(
    desk: &Desk,
    here: Here<'_>,
    form: &Form,
    reading: &mut Reading,
) -> Statement {
    let name = &here.unit.name;
    let note = blind::noted(desk, reading.text(form, "note"));
    let zero = match form.text("do") {
        "zero-opened" => Some(Look::Opened),
        "zero-through-lid" => Some(Look::ThroughLid),
        _ => None,
    };
    let typed = typed_any(form, "");
    if let Some(looked) = zero {
        if typed {
            reading.wrong.add(
                "",
                "You typed numbers and pressed “nothing new”. Press “Save \
                 the count”, or clear the numbers.",
            );
        }
        return Numbers::default().check(name, looked, note);
    }
    let looked = reading.look(form);
    let numbers = Numbers::read(reading, form, "");
    if !typed {
        reading
            .wrong
            .add(COUNTS[0], "type at least one number; 0 if nothing is new");
    } else if reading.wrong.is_empty()
        && let Some((field, told)) =
            numbers.against(here.unit, &units::name_of(desk, here.unit))
    {
        reading.wrong.add(field, told);
    }
    numbers.check(name, looked, note)
}

/// The page again, with what was typed and what is wrong with it.
pub(crate) fn again(
    desk: &Desk,
    here: Here<'_>,
    section: &'static str,
    form: &Form,
    wrong: Wrong,
) -> Answer {
    let in_round = form.text("round") == "1";
    let tried = Tried { section, form: form.clone(), wrong };
    let body = drawn(desk, here, in_round, &maud::html! {}, &tried);
    Answer::wrong(&units::name_of(desk, here.unit), Tab::Round, body)
}

/// What the ledger refused, as a sentence for the form as a whole.
pub(crate) fn whole(desk: &Desk, refused: &[(usize, String)]) -> Wrong {
    let mut reasons: Vec<String> =
        refused.iter().map(|(_, told)| blind::worded(desk, told)).collect();
    reasons.dedup();
    let mut wrong = Wrong::default();
    wrong.add("", format!("The ledger says: {}.", reasons.join("; ")));
    wrong
}

/// After a count: the next unit of the round, or the unit as it is now.
fn go_on(
    desk: &Desk,
    here: Here<'_>,
    form: &Form,
    written: Option<EntryId>,
) -> Answer {
    let done = written.map(|id| format!("done={}", id.0)).unwrap_or_default();
    if form.text("round") != "1" {
        return Answer::See(format!("{}?{done}", link(here.unit)));
    }
    Answer::See(match units::next(&units::walk(desk), &here) {
        Some(next) => format!("{}?round=1&{done}", link(next.unit)),
        None => format!("/round?{done}"),
    })
}
