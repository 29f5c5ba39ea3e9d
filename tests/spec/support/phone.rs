//! A phone: a browser in the words of the specification. It keeps cookies,
//! reads forms out of the last page and sends them as a browser does; and it
//! can be told to misbehave.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::net::SocketAddr;
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::time::timeout;

/// No page takes so long.
const PATIENCE: Duration = Duration::from_secs(30);

/// What a page answered.
#[derive(Debug, Clone)]
pub(crate) struct Page {
    pub(crate) status: u16,
    pub(crate) head: String,
    pub(crate) body: String,
}

impl Page {
    pub(crate) fn header(&self, name: &str) -> Option<&str> {
        self.head.lines().find_map(|line| {
            let (known, value) = line.split_once(": ")?;
            known.eq_ignore_ascii_case(name).then_some(value)
        })
    }

    /// The page shows this text, as it stands in its source.
    #[track_caller]
    pub(crate) fn shows(&self, text: &str) -> &Self {
        assert!(
            self.body.contains(text),
            "expected {text:?} ({})\n{}",
            self.status,
            self.body
        );
        self
    }

    #[track_caller]
    pub(crate) fn does_not_show(&self, text: &str) -> &Self {
        assert!(!self.body.contains(text), "{text:?} in\n{}", self.body);
        self
    }

    #[track_caller]
    pub(crate) fn answers(&self, status: u16) -> &Self {
        assert_eq!(self.status, status, "{}\n{}", self.head, self.body);
        self
    }

    /// Hidden fields of the form that goes to an address.
    fn hidden(&self, action: &str) -> Vec<(String, String)> {
        let start = format!("action=\"{action}\"");
        let form = self.body.split(&start).nth(1).unwrap_or_else(|| {
            panic!("no form for {action} in\n{}", self.body)
        });
        let form = form.split("</form>").next().unwrap();
        form.split("<input type=\"hidden\" ")
            .skip(1)
            .map(|rest| {
                let value = |name: &str| {
                    let rest = rest.split(&format!("{name}=\"")).nth(1);
                    rest.unwrap().split('"').next().unwrap().to_owned()
                };
                (value("name"), value("value"))
            })
            .collect()
    }
}

/// What a request says beside its address.
#[derive(Debug, Clone)]
pub(crate) struct Says<'a> {
    pub(crate) method: &'a str,
    pub(crate) host: String,
    pub(crate) origin: Option<String>,
    pub(crate) kind: &'a str,
    pub(crate) body: String,
    pub(crate) cookies: bool,
}

pub(crate) struct Phone {
    address: SocketAddr,
    cookies: BTreeMap<String, String>,
    pub(crate) page: Page,
}

impl Phone {
    pub(crate) fn new(address: SocketAddr) -> Self {
        let page = Page { status: 0, head: String::new(), body: String::new() };
        Self { address, cookies: BTreeMap::new(), page }
    }

    /// A form as this phone would send it.
    pub(crate) fn says(&self, fields: &[(String, String)]) -> Says<'static> {
        Says {
            method: "POST",
            host: self.address.to_string(),
            origin: Some(format!("http://{}", self.address)),
            kind: "application/x-www-form-urlencoded",
            body: encoded(fields),
            cookies: true,
        }
    }

    /// The cookies it has, as it would send them.
    pub(crate) fn sent_cookies(&self) -> String {
        let pairs: Vec<String> =
            self.cookies.iter().map(|(k, v)| format!("{k}={v}")).collect();
        pairs.join("; ")
    }

    /// One request, nothing followed.
    pub(crate) async fn ask(&mut self, path: &str, says: &Says<'_>) -> Page {
        let page = self.once(path, says).await;
        for line in page.head.lines() {
            if let Some(set) = line.strip_prefix("set-cookie: ") {
                let pair = set.split(';').next().unwrap();
                let (name, value) = pair.split_once('=').unwrap();
                self.cookies.insert(name.to_owned(), value.to_owned());
            }
        }
        page
    }

    /// One request; cookies that are set are forgotten.
    pub(crate) async fn once(&self, path: &str, says: &Says<'_>) -> Page {
        let mut request = format!(
            "{} {path} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n",
            says.method, says.host
        );
        if let Some(origin) = &says.origin {
            write!(request, "Origin: {origin}\r\n").unwrap();
        }
        if says.cookies && !self.cookies.is_empty() {
            write!(request, "Cookie: {}\r\n", self.sent_cookies()).unwrap();
        }
        if says.method != "GET" {
            write!(
                request,
                "Content-Type: {}\r\nContent-Length: {}\r\n",
                says.kind,
                says.body.len()
            )
            .unwrap();
        }
        request.push_str("\r\n");
        request.push_str(&says.body);
        let page = timeout(PATIENCE, exchange(self.address, request)).await;
        page.expect("an answer in time")
    }

    /// Opens an address, following where it leads.
    pub(crate) async fn open(&mut self, path: &str) -> &Page {
        let mut path = path.to_owned();
        for _ in 0..5 {
            let says = Says { method: "GET", origin: None, ..self.says(&[]) };
            self.page = self.ask(&path, &says).await;
            match self.page.header("location") {
                Some(to) if self.page.status == 303 => path = to.to_owned(),
                _ => break,
            }
        }
        &self.page
    }

    /// The fields of a form of the open page, filled in.
    pub(crate) fn filled(
        &self,
        action: &str,
        typed: &[(&str, &str)],
    ) -> Vec<(String, String)> {
        let mut fields = self.page.hidden(action);
        fields.extend(
            typed.iter().map(|(k, v)| ((*k).to_owned(), (*v).to_owned())),
        );
        fields
    }

    /// Fills in a form of the open page and sends it.
    pub(crate) async fn send(
        &mut self,
        action: &str,
        typed: &[(&str, &str)],
    ) -> &Page {
        let says = self.says(&self.filled(action, typed));
        let page = self.ask(action, &says).await;
        let to = page.header("location").map(str::to_owned);
        self.page = page;
        match to {
            Some(to) if self.page.status == 303 => self.open(&to).await,
            _ => &self.page,
        }
    }
}

async fn exchange(address: SocketAddr, request: String) -> Page {
    let mut stream = TcpStream::connect(address).await.unwrap();
    // A server that refuses early may not read to the end.
    drop(stream.write_all(request.as_bytes()).await);
    let mut bytes = Vec::new();
    drop(stream.read_to_end(&mut bytes).await);
    let text = String::from_utf8(bytes).unwrap();
    let (head, body) = text.split_once("\r\n\r\n").unwrap_or((&text, ""));
    let status = head.split(' ').nth(1).and_then(|s| s.parse().ok());
    Page {
        status: status.unwrap_or(0),
        head: head.replace("\r\n", "\n"),
        body: body.to_owned(),
    }
}

fn encoded(fields: &[(String, String)]) -> String {
    let percent = |text: &str| -> String {
        text.bytes()
            .map(|b| match b {
                b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' => {
                    char::from(b).to_string()
                }
                _ => format!("%{b:02X}"),
            })
            .collect()
    };
    fields
        .iter()
        .map(|(name, value)| format!("{}={}", percent(name), percent(value)))
        .collect::<Vec<_>>()
        .join("&")
}
