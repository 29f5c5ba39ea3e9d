//! Those who get alerts: a mail server with a login, a web server, and an
//! HTTP endpoint that can be made to fail in every way.

use std::fs;
use std::io::{BufRead, BufReader};
use std::net::SocketAddr;
use std::ops::Deref;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde_json::Value;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

/// User and password at the mail server.
pub(crate) const USER: &str = "rowan";
pub(crate) const PASSWORD: &str = "moist-chill-42";

/// A server in Python; killed when dropped.
pub(crate) struct Server {
    folder: tempfile::TempDir,
    pub(crate) port: u16,
    child: Child,
}

impl Server {
    /// Starts one of the scripts beside this file, with a folder that has a
    /// certificate for `localhost`, and waits until it listens.
    fn start(script: &str, arguments: &[&str]) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let names = vec!["localhost".to_owned()];
        let made = rcgen::generate_simple_self_signed(names).unwrap();
        fs::write(folder.path().join("cert.pem"), made.cert.pem()).unwrap();
        let key = made.signing_key.serialize_pem();
        fs::write(folder.path().join("key.pem"), key).unwrap();
        let support =
            concat!(env!("CARGO_MANIFEST_DIR"), "/tests/spec/support");
        let mut child = Command::new("/usr/bin/python3")
            .arg(format!("{support}/{script}"))
            .arg(folder.path())
            .args(arguments)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("install it: apt-get install python3");
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap())
            .read_line(&mut line)
            .unwrap();
        let port = line
            .trim()
            .parse()
            .expect("install it: apt-get install python3-aiosmtpd");
        Self { folder, port, child }
    }

    /// The certificate to believe.
    pub(crate) fn ca(&self) -> PathBuf {
        self.folder.path().join("cert.pem")
    }

    /// Everything it took, in order.
    pub(crate) fn taken(&self) -> Vec<Value> {
        let file = self.folder.path().join("taken");
        let text = fs::read_to_string(file).unwrap_or_default();
        let whole = text.rfind('\n').map_or(0, |end| end + 1);
        text[..whole]
            .lines()
            .map(|line| serde_json::from_str(line).unwrap())
            .collect()
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// Debian's python3-aiosmtpd, a mail server that wants a login.
pub(crate) struct MailServer(Server);

impl MailServer {
    /// Encryption begins with STARTTLS.
    pub(crate) fn start() -> Self {
        Self(Server::start("mail_server.py", &[USER, PASSWORD, "starttls"]))
    }

    /// Encrypted from the first byte.
    pub(crate) fn start_encrypted() -> Self {
        Self(Server::start("mail_server.py", &[USER, PASSWORD, "tls"]))
    }

    /// What it does from now on: `take`, `refuse` or `chance SEED`.
    pub(crate) fn mode(&self, mode: &str) {
        let file = self.folder.path().join("mode");
        let new = self.folder.path().join("mode.new");
        fs::write(&new, mode).unwrap();
        fs::rename(new, file).unwrap();
    }
}

impl Deref for MailServer {
    type Target = Server;

    fn deref(&self) -> &Server {
        &self.0
    }
}

/// Python's own web server, by TLS.
pub(crate) fn web_server() -> Server {
    Server::start("web_server.py", &[])
}

/// What an endpoint does with a request.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Does {
    /// Takes it and answers 204.
    Take,
    /// Answers with this status and takes nothing.
    Answer(u16),
    /// Takes it and closes in the middle of the answer.
    LoseTheAnswer,
    /// Takes nothing and closes.
    Close,
    /// Takes nothing and answers nothing until the other gives up.
    Hang,
    /// Takes it, and answers after the other gave up.
    TakeAndHang,
}

/// A request that was taken.
#[derive(Debug, Clone)]
pub(crate) struct Taken {
    pub(crate) head: String,
    pub(crate) body: String,
    pub(crate) answered: bool,
}

impl Taken {
    pub(crate) fn json(&self) -> Value {
        serde_json::from_str(&self.body).unwrap()
    }

    /// A header's value.
    pub(crate) fn header(&self, name: &str) -> Option<String> {
        self.head.lines().find_map(|line| {
            let (known, value) = line.split_once(':')?;
            known.eq_ignore_ascii_case(name).then(|| value.trim().to_owned())
        })
    }
}

#[derive(Debug)]
struct Behaviour {
    does: Does,
    chance: Option<ChaCha8Rng>,
    taken: Vec<Taken>,
}

/// An HTTP endpoint on loopback.
#[derive(Debug, Clone)]
pub(crate) struct Endpoint {
    pub(crate) address: SocketAddr,
    behaviour: Arc<Mutex<Behaviour>>,
}

impl Endpoint {
    pub(crate) async fn start() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let endpoint = Self {
            address: listener.local_addr().unwrap(),
            behaviour: Arc::new(Mutex::new(Behaviour {
                does: Does::Take,
                chance: None,
                taken: Vec::new(),
            })),
        };
        let serving = endpoint.clone();
        tokio::spawn(async move {
            while let Ok((socket, _)) = listener.accept().await {
                let one = serving.clone();
                tokio::spawn(async move { one.serve(socket).await });
            }
        });
        endpoint
    }

    /// What it does from now on.
    pub(crate) fn does(&self, does: Does) {
        let mut behaviour = self.behaviour.lock().unwrap();
        (behaviour.does, behaviour.chance) = (does, None);
    }

    /// From now on a seeded coin decides, for each request anew.
    pub(crate) fn chance(&self, seed: u64) {
        let chance = Some(ChaCha8Rng::seed_from_u64(seed));
        self.behaviour.lock().unwrap().chance = chance;
    }

    pub(crate) fn taken(&self) -> Vec<Taken> {
        self.behaviour.lock().unwrap().taken.clone()
    }

    fn choose(&self) -> Does {
        let mut behaviour = self.behaviour.lock().unwrap();
        let usual = behaviour.does;
        let Some(chance) = &mut behaviour.chance else { return usual };
        match chance.random_range(0..100) {
            0..60 => Does::Take,
            60..75 => Does::Answer(500),
            75..83 => Does::Close,
            83..93 => Does::LoseTheAnswer,
            93..97 => Does::Hang,
            _ => Does::TakeAndHang,
        }
    }

    async fn serve(&self, mut socket: TcpStream) {
        let Some((head, body)) = request(&mut socket).await else { return };
        let does = self.choose();
        if matches!(does, Does::Take | Does::LoseTheAnswer | Does::TakeAndHang)
        {
            self.behaviour.lock().unwrap().taken.push(Taken {
                head,
                body,
                answered: does == Does::Take,
            });
        }
        let answer = match does {
            Does::Take => "HTTP/1.1 204 No Content\r\n\r\n".to_owned(),
            Does::Answer(status) => format!(
                "HTTP/1.1 {status} So\r\nLocation: /x\r\n\
                 Content-Length: 2\r\n\r\nno"
            ),
            Does::LoseTheAnswer => "HTTP/1.1 20".to_owned(),
            Does::Close => return,
            Does::Hang | Does::TakeAndHang => {
                // The other side closes at its time-out.
                drop(socket.read(&mut [0]).await);
                return;
            }
        };
        drop(socket.write_all(answer.as_bytes()).await);
        drop(socket.shutdown().await);
    }
}

/// Head and body of a request; none when the other side went away.
async fn request(socket: &mut TcpStream) -> Option<(String, String)> {
    let mut bytes = Vec::new();
    let head_end = loop {
        if let Some(at) = bytes.windows(4).position(|four| four == b"\r\n\r\n")
        {
            break at + 4;
        }
        if socket.read_buf(&mut bytes).await.ok()? == 0 {
            return None;
        }
    };
    let head = String::from_utf8_lossy(&bytes[..head_end]).into_owned();
    let length: usize = head
        .lines()
        .filter_map(|line| line.split_once(':'))
        .find(|(name, _)| name.eq_ignore_ascii_case("content-length"))
        .map_or(0, |(_, value)| value.trim().parse().unwrap_or(0));
    while bytes.len() < head_end + length {
        if socket.read_buf(&mut bytes).await.ok()? == 0 {
            return None;
        }
    }
    let body = String::from_utf8_lossy(&bytes[head_end..]).into_owned();
    Some((head, body))
}
