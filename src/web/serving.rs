//! The listener of the pages: how many may be connected, how long a request
//! may take to begin, and the end of all connections.
//!
//! Not the pages: it hands whole requests to the router and knows none of
//! them.

use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use axum::Router;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio::task::JoinSet;
use tokio::time::sleep;

use crate::trust::identity::Identity;

/// Far above the browsers of a household, which open six connections each.
const MOST: usize = 128;
/// What one address may hold of them, so that others get in.
const MOST_OF_ONE: usize = 64;
/// Time for the head of a request, and for the next one on an open
/// connection.
const HEAD_WITHIN: Duration = Duration::from_secs(15);
/// Headers larger than this, in bytes, are none of a browser on our pages.
const LARGEST_HEAD: usize = 32 * 1024;
/// How long open connections may take to end when the daemon stops.
const FAREWELL: Duration = Duration::from_secs(5);

/// Serves until told to stop; then open requests may end, for a while.
pub(crate) async fn serve(
    listener: TcpListener,
    identity: Option<Identity>,
    app: Router,
    stop: watch::Receiver<bool>,
) {
    let guests = Arc::new(Guests::default());
    let mut open = JoinSet::new();
    loop {
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            Some(_) = open.join_next() => continue,
            () = stopped(stop.clone()) => break,
        };
        let (socket, peer) = match accepted {
            Ok(accepted) => accepted,
            Err(error) => {
                // Out of file handles, mostly: connections that end give
                // some back.
                tracing::warn!(source = "pages", "{error}");
                sleep(Duration::from_millis(200)).await;
                continue;
            }
        };
        let Some(guest) = guests.enter(peer.ip()) else { continue };
        let (app, identity) = (app.clone(), identity.clone());
        let stop = stop.clone();
        open.spawn(async move {
            let _guest = guest;
            receive(socket, identity.as_ref(), app, stop).await;
        });
    }
    drop(listener);
    let ended = async { while open.join_next().await.is_some() {} };
    tokio::select! {
        () = ended => {}
        () = sleep(FAREWELL) => {
            tracing::warn!("a page was still being read at the end");
        }
    }
}

async fn receive(
    socket: TcpStream,
    identity: Option<&Identity>,
    app: Router,
    stop: watch::Receiver<bool>,
) {
    drop(socket.set_nodelay(true));
    let Some(identity) = identity else {
        return converse(socket, app, stop).await;
    };
    let greeting = tokio::select! {
        greeting = identity.greet(socket) => greeting,
        () = stopped(stop.clone()) => return,
    };
    match greeting {
        Ok(stream) => converse(stream, app, stop).await,
        Err(word) => tracing::debug!(source = "pages", "{word}"),
    }
}

/// Answers one connection until either side ends it.
async fn converse<S>(socket: S, app: Router, stop: watch::Receiver<bool>)
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let conversation = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD_WITHIN)
        .max_buf_size(LARGEST_HEAD)
        .serve_connection(TokioIo::new(socket), TowerToHyperService::new(app));
    let mut conversation = std::pin::pin!(conversation);
    let ended = tokio::select! {
        ended = conversation.as_mut() => ended,
        () = stopped(stop) => {
            conversation.as_mut().graceful_shutdown();
            conversation.await
        }
    };
    if let Err(error) = ended {
        tracing::trace!(source = "pages", "{error}");
    }
}

async fn stopped(mut stop: watch::Receiver<bool>) {
    // A dropped sender is a stop as well.
    drop(stop.wait_for(|stop| *stop).await);
}

/// Who is connected, and how often.
#[derive(Debug, Default)]
struct Guests(Mutex<HashMap<IpAddr, usize>>);

/// One connection; leaves when dropped.
#[derive(Debug)]
struct Guest {
    guests: Arc<Guests>,
    address: IpAddr,
}

impl Guests {
    /// Lets one more in, unless it is too full.
    fn enter(self: &Arc<Self>, address: IpAddr) -> Option<Guest> {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let here = all.get(&address).copied().unwrap_or(0);
        if here >= MOST_OF_ONE || all.values().sum::<usize>() >= MOST {
            tracing::debug!(source = "pages", %address, "too many connections");
            return None;
        }
        all.insert(address, here + 1);
        Some(Guest { guests: Arc::clone(self), address })
    }
}

impl Drop for Guest {
    fn drop(&mut self) {
        let all = &self.guests.0;
        let mut all = all.lock().unwrap_or_else(PoisonError::into_inner);
        match all.get_mut(&self.address) {
            Some(here) if *here > 1 => *here -= 1,
            _ => {
                all.remove(&self.address);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use axum::routing::get;
    use tokio::io::{AsyncReadExt, AsyncWriteExt, duplex};
    use tokio::time::{Instant, timeout};

    use super::*;

    fn app() -> Router {
        Router::new().route("/", get(async || "here"))
    }

    /// A head that comes letter by letter holds nothing for long.
    #[tokio::test(start_paused = true)]
    async fn a_request_that_does_not_come_to_its_point_is_let_go() {
        let (mut peer, socket) = duplex(1024);
        let (_stop, stopping) = watch::channel(false);
        let conversation = tokio::spawn(converse(socket, app(), stopping));
        let begin = Instant::now();
        peer.write_all(b"GET / HTTP/1.1\r\nHost: ").await.unwrap();
        while !conversation.is_finished() {
            drop(peer.write_all(b"a").await);
            sleep(Duration::from_secs(1)).await;
            assert!(begin.elapsed() < Duration::from_secs(60));
        }
        assert!(begin.elapsed() >= HEAD_WITHIN);
    }

    #[tokio::test(start_paused = true)]
    async fn an_idle_connection_ends_at_the_stop() {
        let (mut peer, socket) = duplex(1024);
        let (stop, stopping) = watch::channel(false);
        let conversation = tokio::spawn(converse(socket, app(), stopping));
        peer.write_all(b"GET / HTTP/1.1\r\nHost: a\r\n\r\n").await.unwrap();
        let mut answer = [0; 512];
        let read = peer.read(&mut answer).await.unwrap();
        assert!(answer[..read].starts_with(b"HTTP/1.1 200"));
        stop.send_replace(true);
        timeout(HEAD_WITHIN / 2, conversation).await.unwrap().unwrap();
    }

    #[test]
    fn one_address_does_not_keep_the_others_out() {
        let guests = Arc::new(Guests::default());
        let address = |last: u8| IpAddr::from([192, 168, 1, last]);
        let fill = |last| {
            std::iter::from_fn(|| guests.enter(address(last)))
                .collect::<Vec<_>>()
        };
        let first = fill(1);
        assert_eq!(first.len(), MOST_OF_ONE);
        let second = fill(2);
        assert_eq!(second.len(), MOST - MOST_OF_ONE);
        assert!(guests.enter(address(3)).is_none());
        drop(first);
        assert!(guests.enter(address(3)).is_some());
        drop(second);
        assert!(guests.0.lock().unwrap().is_empty());
    }
}
