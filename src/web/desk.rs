//! What every page works with: the store opened for one request, the ledger
//! added up, who is asking, and the one way in which entries are written.
//!
//! All of it runs on threads that may wait; nothing here is async but the
//! way there.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use axum::http::StatusCode;
use maud::Markup;
use tokio::sync::Semaphore;

use crate::climate::hours::HourSum;
use crate::climate::log::Span;
use crate::exchange::times::ZoneRule;
use crate::observation::Series;
use crate::source::Now;
use crate::store::{
    Access, Keep, NewAnswer, Records, Running, Store, StoreError,
};
use crate::trial::admission::OnConflict;
use crate::trial::book::Book;
use crate::trial::entry::{Draft, Entry, EntryId};
use crate::units::Instant;
use crate::web::door::Door;
use crate::web::form::Form;
use crate::web::making::Maker;
use crate::web::password::Password;
use crate::web::session::{Session, Sessions};
use crate::web::tokens::Tokens;

/// Pages made at once; more wait their turn, so that memory stays small.
const AT_ONCE: usize = 4;
/// A name longer than this is no name.
const LONGEST_NAME: usize = 60;

/// The ledger, added up.
#[derive(Debug)]
pub(crate) struct Loaded {
    newest: Option<EntryId>,
    pub(crate) entries: Vec<Entry>,
    pub(crate) book: Book,
}

/// Everything the pages share.
pub(crate) struct Site {
    data: PathBuf,
    pub(crate) zone: ZoneRule,
    now: Now,
    pub(crate) door: Door,
    pub(crate) sessions: Sessions,
    pub(crate) password: Option<Password>,
    pub(crate) tokens: Tokens,
    pub(crate) maker: Maker,
    loaded: Mutex<Option<Arc<Loaded>>>,
    running: Mutex<Running>,
    turns: Semaphore,
}

impl std::fmt::Debug for Site {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Site").field("data", &self.data).finish_non_exhaustive()
    }
}

/// Who is asking.
#[derive(Debug, Clone)]
pub(crate) struct Visitor {
    pub(crate) session: Session,
    /// Who counts, as typed once on this device; empty until then.
    pub(crate) who: String,
    /// Whether names and treatments are hidden while counting.
    pub(crate) blind: bool,
    /// Whether there is a password, so that one may log out.
    pub(crate) may_leave: bool,
}

impl Visitor {
    /// Somebody without a browser's session.
    pub(crate) fn nobody() -> Self {
        let (id, token) = (String::new(), String::new());
        let session = Session { id, token, logged_in: false };
        let who = String::new();
        Self { session, who, blind: false, may_leave: false }
    }
}

/// What a page answers.
#[derive(Debug)]
pub(crate) enum Answer {
    /// A page with its title and its place in the navigation.
    Page(StatusCode, String, Tab, Markup),
    /// Go and look there.
    See(String),
    /// For a program.
    Data(StatusCode, serde_json::Value),
}

impl Answer {
    pub(crate) fn page(title: &str, tab: Tab, body: Markup) -> Self {
        Self::Page(StatusCode::OK, title.to_owned(), tab, body)
    }

    /// The page again, with what was wrong in the form.
    pub(crate) fn wrong(title: &str, tab: Tab, body: Markup) -> Self {
        let status = StatusCode::UNPROCESSABLE_ENTITY;
        Self::Page(status, title.to_owned(), tab, body)
    }
}

/// The places of the navigation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Tab {
    Now,
    Round,
    Tally,
    Alerts,
    SetUp,
    Report,
    /// None of them.
    Elsewhere,
}

impl Site {
    pub(crate) fn new(
        data: &Path,
        zone: ZoneRule,
        now: Now,
        door: Door,
        password: Option<Password>,
        tokens: Tokens,
        maker: Maker,
    ) -> Self {
        Self {
            data: data.to_owned(),
            zone,
            now,
            door,
            sessions: Sessions::default(),
            password,
            tokens,
            maker,
            loaded: Mutex::default(),
            running: Mutex::default(),
            turns: Semaphore::new(AT_ONCE),
        }
    }

    /// Whether there is a password and this visitor has not given it.
    pub(crate) fn is_locked(&self, visitor: &Visitor) -> bool {
        self.password.is_some() && !visitor.session.logged_in
    }

    /// Where the data file is.
    pub(crate) fn data(&self) -> &Path {
        &self.data
    }

    /// Lets a page look at the store, on a thread that may wait.
    pub(crate) async fn at_desk(
        self: &Arc<Self>,
        visitor: Visitor,
        work: impl FnOnce(&Desk) -> Result<Answer, StoreError> + Send + 'static,
    ) -> Result<Answer, String> {
        let turn = self.turns.acquire().await;
        let site = Arc::clone(self);
        let done = tokio::task::spawn_blocking(move || {
            let desk = Desk::open(site, visitor)?;
            work(&desk)
        })
        .await;
        drop(turn);
        match done {
            Ok(Ok(answer)) => Ok(answer),
            Ok(Err(error)) => {
                let cause = std::error::Error::source(&error)
                    .map(ToString::to_string)
                    .unwrap_or_default();
                tracing::error!(%error, cause, "a page could not be made");
                Err(error.to_string())
            }
            Err(error) => {
                tracing::error!(%error, "a page could not be made");
                Err("the page could not be made".to_owned())
            }
        }
    }

    /// The ledger added up; again only when it has grown.
    fn loaded(&self, store: &Store) -> Result<Arc<Loaded>, StoreError> {
        let newest = store.newest_entry()?;
        let kept =
            || self.loaded.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(loaded) = &*kept()
            && loaded.newest == newest
        {
            return Ok(Arc::clone(loaded));
        }
        let entries = store.ledger()?;
        let (book, _) = Book::build(&entries);
        let newest = entries.last().map(|entry| entry.id);
        let loaded = Arc::new(Loaded { newest, entries, book });
        *kept() = Some(Arc::clone(&loaded));
        Ok(loaded)
    }
}

/// One request's view of the house.
pub(crate) struct Desk {
    site: Arc<Site>,
    pub(crate) store: Store,
    pub(crate) loaded: Arc<Loaded>,
    pub(crate) visitor: Visitor,
    pub(crate) now: Instant,
}

/// What came of drafts.
#[derive(Debug)]
pub(crate) enum Written {
    /// They are in the ledger; the last one's number.
    Now(Option<EntryId>),
    /// This very form was written before.
    Before,
    /// Nothing was written; index of the draft and reason.
    Refused(Vec<(usize, String)>),
}

impl Desk {
    fn open(site: Arc<Site>, visitor: Visitor) -> Result<Self, StoreError> {
        let store = Store::open(&site.data, Access::ReadOnly)?;
        let loaded = site.loaded(&store)?;
        let now = (site.now)();
        Ok(Self { site, store, loaded, visitor, now })
    }

    pub(crate) fn site(&self) -> &Site {
        &self.site
    }

    /// For what is shown to whoever may look; never for a form.
    pub(crate) fn for_everybody(site: Arc<Site>) -> Result<Self, StoreError> {
        Self::open(site, Visitor::nobody())
    }

    /// When the grower looked: now, or when a kept form was typed.
    pub(crate) fn looked_at(&self, form: &Form) -> Instant {
        let ago = form.typed_ago_millis().unwrap_or_default();
        self.now.plus_millis(-ago)
    }

    pub(crate) fn zone(&self) -> &ZoneRule {
        &self.site.zone
    }

    /// How the pages are called in the house, if the settings say so.
    pub(crate) fn base_url(&self) -> Option<String> {
        self.site.door.base_url()
    }

    pub(crate) fn book(&self) -> &Book {
        &self.loaded.book
    }

    /// The hours of some series that meet a span, in the order of `wanted`.
    pub(crate) fn hours(
        &self,
        wanted: &[Series],
        span: Span,
    ) -> Result<Vec<Vec<HourSum>>, StoreError> {
        let running = &self.site.running;
        let mut running =
            running.lock().unwrap_or_else(PoisonError::into_inner);
        self.store.hours(&mut running, wanted, (span.from, span.to))
    }

    /// The first instant of today.
    pub(crate) fn today(&self) -> Instant {
        let zone = self.zone();
        zone.day_start(zone.date(self.now))
    }

    /// Who counts: as typed into this form, or as remembered.
    pub(crate) fn who<'a>(&'a self, form: &'a Form) -> &'a str {
        let typed = form.text("by");
        if typed.is_empty() { &self.visitor.who } else { typed }
    }

    /// Whether this very form was written before: a second tap, to be
    /// answered as the first.
    pub(crate) fn was_written(&self, form: &Form) -> Result<bool, StoreError> {
        form.key().map_or(Ok(false), |key| self.store.form_is_taken(key))
    }

    /// Writes what is answered to an alert, once for each form.
    pub(crate) fn answer_alert(
        &self,
        new: &NewAnswer<'_>,
    ) -> Result<(), StoreError> {
        let mut store = Store::open(&self.site.data, Access::ReadWrite)?;
        store.answer_alert(new, self.now).map(drop)
    }

    /// Writes drafts, all or nothing, once for each form.
    pub(crate) fn record(
        &self,
        drafts: &[Draft],
        form: &Form,
    ) -> Result<Written, StoreError> {
        let sound =
            form.key().and_then(|key| form.typed_ago_millis().map(|_| key));
        let key = match sound {
            Ok(key) => key,
            Err(told) => return Ok(Written::Refused(vec![(0, told)])),
        };
        let who: String = self.who(form).chars().take(LONGEST_NAME).collect();
        let mut store = Store::open(&self.site.data, Access::ReadWrite)?;
        let recorded = store.record_once(
            &Records {
                drafts,
                on_conflict: OnConflict::Refuse,
                keep: Keep::AllOrNothing,
                by: &who,
                origin: "page",
                now: self.now,
                dry_run: false,
            },
            key,
        )?;
        Ok(match recorded {
            None => Written::Before,
            Some(recorded) if recorded.refused.is_empty() => {
                Written::Now(recorded.written.last().map(|entry| entry.id))
            }
            Some(recorded) => Written::Refused(
                recorded
                    .refused
                    .into_iter()
                    .map(|problem| (problem.index, problem.text))
                    .collect(),
            ),
        })
    }
}
