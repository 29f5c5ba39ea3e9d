//! News for pages that are open: values and their ages, made once for all
//! who listen, as a stream of events.
//!
//! Nobody holds the store meanwhile: it is looked at between two events, and
//! only while somebody listens. The streams end with the stop signal.

use std::collections::BTreeMap;
use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::http::StatusCode;
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use serde_json::json;
use tokio::sync::{Semaphore, broadcast, mpsc, watch};
use tokio::time::{Instant, MissedTickBehavior, interval};
use tokio_stream::wrappers::ReceiverStream;

use crate::store::{Access, Store, StoreError};
use crate::web::desk::{Desk, Site};
use crate::web::now;

/// More streams than a household has pages open.
const MOST: usize = 32;
/// Who is further behind than this opens the page anew.
const BEHIND: usize = 4;
/// How often the store is looked at, at most.
const LOOK: Duration = Duration::from_secs(1);
/// Ages change even when nothing comes in.
const AGES: Duration = Duration::from_secs(30);
/// A silent line is kept open with an empty comment.
const ALIVE: Duration = Duration::from_secs(15);

/// The way from the store to the pages that are open.
#[derive(Debug, Clone)]
pub(crate) struct Live {
    news: broadcast::Sender<Arc<str>>,
    seats: Arc<Semaphore>,
    stop: watch::Receiver<bool>,
}

impl Live {
    pub(crate) fn new(stop: watch::Receiver<bool>) -> Self {
        let (news, _) = broadcast::channel(BEHIND);
        Self { news, seats: Arc::new(Semaphore::new(MOST)), stop }
    }

    /// Looks at the store while somebody listens, until told to stop.
    pub(crate) async fn watch(self, site: Arc<Site>) {
        let mut ticks = interval(LOOK);
        ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut stop = self.stop.clone();
        let mut eyes: Option<Eyes> = None;
        loop {
            tokio::select! {
                _ = stop.wait_for(|stop| *stop) => return,
                _ = ticks.tick() => {}
            }
            if self.news.receiver_count() == 0 {
                eyes = None;
                continue;
            }
            let site = Arc::clone(&site);
            let had = eyes.take();
            let looked =
                tokio::task::spawn_blocking(move || look(site, had)).await;
            match looked {
                Ok(Ok((seen, told))) => {
                    eyes = Some(seen);
                    // Nobody may be left to hear it.
                    drop(told.map(|told| self.news.send(told.into())));
                }
                Ok(Err(error)) => {
                    tracing::warn!(%error, "open pages hear nothing new");
                }
                Err(error) => {
                    tracing::error!(%error, "open pages hear nothing new");
                }
            }
        }
    }

    /// `GET /live`
    pub(crate) fn listen(&self) -> Response {
        let Ok(seat) = Arc::clone(&self.seats).try_acquire_owned() else {
            return StatusCode::SERVICE_UNAVAILABLE.into_response();
        };
        let (out, events) = mpsc::channel::<Result<Event, Infallible>>(1);
        let (mut news, mut stop) = (self.news.subscribe(), self.stop.clone());
        tokio::spawn(async move {
            let _seat = seat;
            loop {
                let event = tokio::select! {
                    _ = stop.wait_for(|stop| *stop) => return,
                    () = out.closed() => return,
                    heard = news.recv() => match heard {
                        Ok(told) => Event::default().event("now").data(told),
                        Err(broadcast::error::RecvError::Lagged(_)) => {
                            Event::default().event("reload").data("behind")
                        }
                        Err(broadcast::error::RecvError::Closed) => return,
                    }
                };
                tokio::select! {
                    _ = stop.wait_for(|stop| *stop) => return,
                    sent = out.send(Ok(event)) => {
                        if sent.is_err() { return }
                    }
                }
            }
        });
        Sse::new(ReceiverStream::new(events))
            .keep_alive(KeepAlive::new().interval(ALIVE).text("alive"))
            .into_response()
    }
}

/// A connection that only notices changes, and what it noticed last.
struct Eyes {
    store: Store,
    version: i64,
    told: Instant,
}

/// What is new since the last look, if anything is.
fn look(
    site: Arc<Site>,
    eyes: Option<Eyes>,
) -> Result<(Eyes, Option<String>), StoreError> {
    let (store, before) = match eyes {
        Some(eyes) => (eyes.store, Some((eyes.version, eyes.told))),
        None => (Store::open(site.data(), Access::ReadOnly)?, None),
    };
    let version = store.data_version()?;
    if let Some((seen, told)) = before
        && seen == version
        && told.elapsed() < AGES
    {
        return Ok((Eyes { store, version, told }, None));
    }
    let desk = Desk::for_everybody(site)?;
    let series = desk.store.series()?;
    let day = now::last_day_everywhere(&desk)?;
    let places: BTreeMap<&str, String> = desk
        .book()
        .house
        .places
        .values()
        .map(|place| {
            let values = now::values(&desk, &series, place, &day).into_string();
            (place.name.as_str(), values)
        })
        .collect();
    let told = json!({ "alerts": now::alerts_mark(&desk)?, "places": places });
    let eyes = Eyes { store, version, told: Instant::now() };
    Ok((eyes, Some(told.to_string())))
}

#[cfg(test)]
mod tests {
    use axum::body::BodyDataStream;
    use tokio_stream::StreamExt;

    use super::*;

    fn live() -> (watch::Sender<bool>, Live) {
        let (stop, stopping) = watch::channel(false);
        (stop, Live::new(stopping))
    }

    fn stream(live: &Live) -> BodyDataStream {
        live.listen().into_body().into_data_stream()
    }

    async fn next(stream: &mut BodyDataStream) -> Option<String> {
        let bytes = stream.next().await?.unwrap();
        Some(String::from_utf8(bytes.to_vec()).unwrap())
    }

    /// However long a phone sleeps, four events wait for it and no more.
    #[tokio::test(start_paused = true)]
    async fn a_page_that_falls_behind_is_opened_anew() {
        let (_stop, live) = live();
        let (mut slow, mut quick) = (stream(&live), stream(&live));
        for n in 0..50 {
            live.news.send(format!("n{n}").into()).unwrap();
            let heard = next(&mut quick).await.unwrap();
            assert_eq!(heard, format!("event: now\ndata: n{n}\n\n"));
        }
        for n in 0..2 {
            let heard = next(&mut slow).await.unwrap();
            assert_eq!(heard, format!("event: now\ndata: n{n}\n\n"));
        }
        let heard = next(&mut slow).await.unwrap();
        assert_eq!(heard, "event: reload\ndata: behind\n\n");
        for n in 50 - BEHIND..50 {
            let heard = next(&mut slow).await.unwrap();
            assert_eq!(heard, format!("event: now\ndata: n{n}\n\n"));
        }
    }

    #[tokio::test(start_paused = true)]
    async fn a_silent_stream_is_kept_open_and_ends_with_the_daemon() {
        let (stop, live) = live();
        let mut idle = stream(&live);
        for seconds in [15, 30, 45] {
            let begin = Instant::now();
            assert_eq!(next(&mut idle).await.unwrap(), ": alive\n\n");
            assert_eq!(begin.elapsed(), ALIVE, "after {seconds} s");
        }
        stop.send_replace(true);
        assert_eq!(next(&mut idle).await, None);
    }

    #[tokio::test(start_paused = true)]
    async fn more_pages_than_a_household_has_wait_for_a_seat() {
        let (_stop, live) = live();
        let mut open: Vec<BodyDataStream> =
            (0..MOST).map(|_| stream(&live)).collect();
        let full = live.listen().status();
        assert_eq!(full, StatusCode::SERVICE_UNAVAILABLE);
        open.pop();
        tokio::time::sleep(ALIVE).await;
        assert_eq!(live.listen().status(), StatusCode::OK);
    }
}
