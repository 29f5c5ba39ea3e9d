//! Debian's mosquitto on a free loopback port, with persistence.

use std::fs;
use std::io::{BufRead, BufReader};
use std::net::TcpListener;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

const MISSING: &str = "install it: apt-get install mosquitto mosquitto-clients";

/// A broker that is killed when dropped.
pub(crate) struct Broker {
    folder: tempfile::TempDir,
    pub(crate) port: u16,
    more: String,
    child: Option<Child>,
}

/// A port that nobody listens on now.
pub(crate) fn free_port() -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    listener.local_addr().expect("its address").port()
}

fn program(name: &str) -> PathBuf {
    ["/usr/sbin", "/usr/bin", "/usr/local/sbin", "/usr/local/bin"]
        .iter()
        .map(|folder| PathBuf::from(folder).join(name))
        .find(|path| path.exists())
        .unwrap_or_else(|| panic!("{name} is missing; {MISSING}"))
}

impl Broker {
    /// A broker that anyone may use.
    pub(crate) fn start() -> Self {
        Self::with("allow_anonymous true\n")
    }

    /// A broker with these further lines of configuration; `FOLDER` stands
    /// for its own folder.
    pub(crate) fn with(more: &str) -> Self {
        let mut broker = Self::not_started(more);
        broker.go();
        broker
    }

    /// A broker that wants a login and knows nobody.
    pub(crate) fn start_without_guests() -> Self {
        let mut broker = Self::not_started(
            "allow_anonymous false\npassword_file FOLDER/users\n",
        );
        broker.file("users", "");
        broker.go();
        broker
    }

    /// Lets somebody in, by the file `users` in its folder.
    pub(crate) fn user(&self, name: &str, password: &str) {
        let file = self.folder.path().join("users");
        let made = Command::new(program("mosquitto_passwd"))
            .args(["-c", "-b"])
            .arg(&file)
            .args([name, password])
            .stderr(Stdio::null())
            .status()
            .expect("it runs");
        assert!(made.success());
    }

    /// A broker that does not run yet.
    pub(crate) fn not_started(more: &str) -> Self {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let more = more.replace("FOLDER", &folder.path().display().to_string());
        Self { folder, port: free_port(), more, child: None }
    }

    /// A file in the broker's folder.
    pub(crate) fn file(&self, name: &str, text: &str) -> PathBuf {
        let path = self.folder.path().join(name);
        fs::write(&path, text).expect("a file in the folder");
        path
    }

    /// Starts it and waits until it takes connections.
    pub(crate) fn go(&mut self) {
        let folder = self.folder.path().display();
        // It would leave root's rights, and then not reach the folder.
        let user = match rustix::process::geteuid().is_root() {
            true => "user root\n",
            false => "",
        };
        let configuration = format!(
            "listener {} 127.0.0.1\n{user}persistence true\n\
             persistence_location {folder}/\nmax_queued_messages 100000\n\
             {}",
            self.port, self.more
        );
        let path = self.file("mosquitto.conf", &configuration);
        let log = fs::File::create(self.folder.path().join("log"));
        let child = Command::new(program("mosquitto"))
            .arg("-v")
            .arg("-c")
            .arg(&path)
            .stdout(Stdio::null())
            .stderr(log.expect("a log file"))
            .spawn()
            .expect("mosquitto starts");
        self.child = Some(child);
        let begin = Instant::now();
        while std::net::TcpStream::connect(("127.0.0.1", self.port)).is_err() {
            let log = fs::read_to_string(self.folder.path().join("log"));
            assert!(
                begin.elapsed() < Duration::from_secs(10),
                "mosquitto does not listen:\n{}",
                log.unwrap_or_default()
            );
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// SIGTERM: it saves what it holds.
    pub(crate) fn stop(&mut self) {
        let mut child = self.child.take().expect("it runs");
        let pid = rustix::process::Pid::from_child(&child);
        rustix::process::kill_process(pid, rustix::process::Signal::TERM)
            .expect("it can be told");
        child.wait().expect("it ends");
    }

    /// It stands still with its connections open, or goes on.
    pub(crate) fn freezes(&self, freezes: bool) {
        use rustix::process::{Pid, Signal, kill_process};
        let child = self.child.as_ref().expect("it runs");
        let signal = if freezes { Signal::STOP } else { Signal::CONT };
        kill_process(Pid::from_child(child), signal).expect("it can be told");
    }

    /// Ends it the hard way; sessions that were not saved are lost.
    pub(crate) fn kill(&mut self) {
        if let Some(mut child) = self.child.take() {
            drop(child.kill());
            drop(child.wait());
        }
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        self.kill();
    }
}

/// `mosquitto_pub` with these arguments, to a port of this machine.
pub(crate) fn mosquitto_pub(port: u16, arguments: &[&str]) -> Command {
    let mut command = Command::new(program("mosquitto_pub"));
    command.args(["-h", "127.0.0.1", "-p", &port.to_string()]);
    command.args(arguments);
    command
}

/// `mosquitto_sub` with this login, whose lines come as they are written.
fn mosquitto_sub(port: u16, login: &[&str], topics: &[&str]) -> Command {
    let mut command = Command::new("stdbuf");
    command.arg("-oL").arg(program("mosquitto_sub"));
    command.args(["-h", "127.0.0.1", "-p", &port.to_string(), "-v"]);
    command.args(topics.iter().flat_map(|topic| ["-t", topic]));
    command.args(login);
    command.stdout(Stdio::piped()).stderr(Stdio::null());
    command
}

/// What the broker keeps under a filter, one payload a line.
pub(crate) fn kept(port: u16, login: &[&str], filter: &str) -> Vec<String> {
    // What is kept comes in the order of the filters.
    const END: &str = "end";
    let end = mosquitto_pub(port, &["-r", "-q", "1", "-t", END, "-m", "."])
        .args(login)
        .status();
    assert!(end.expect("it runs").success());
    let mut child =
        mosquitto_sub(port, login, &[filter, END]).spawn().expect("it runs");
    let lines = BufReader::new(child.stdout.take().expect("a pipe")).lines();
    let kept = lines
        .map_while(Result::ok)
        .take_while(|line| line != "end .")
        .filter_map(|line| Some(line.split_once(' ')?.1.to_owned()))
        .collect();
    drop(child.kill());
    drop(child.wait());
    kept
}

/// Somebody who listens at a broker; gone when dropped.
pub(crate) struct Listener {
    heard: Arc<Mutex<Vec<String>>>,
    child: Child,
}

impl Listener {
    /// Waits until the broker has taken the subscription.
    pub(crate) fn start(port: u16, login: &[&str], filter: &str) -> Self {
        let mut child = mosquitto_sub(port, login, &[filter])
            .arg("-d")
            .spawn()
            .expect("it runs");
        let mut lines =
            BufReader::new(child.stdout.take().expect("a pipe")).lines();
        while !lines.next().expect("a line").unwrap().contains("Subscribed") {}
        let heard = Arc::new(Mutex::new(Vec::new()));
        let hearing = Arc::clone(&heard);
        std::thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                // The rest is talk of the program.
                if line.starts_with("vernalog/") {
                    hearing.lock().unwrap().push(line);
                }
            }
        });
        Self { heard, child }
    }

    /// Topic and payload of each message so far.
    pub(crate) fn heard(&self) -> Vec<String> {
        self.heard.lock().unwrap().clone()
    }
}

impl Drop for Listener {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// Publishes with QoS 1 and waits for the acknowledgement.
pub(crate) fn publish(port: u16, topic: &str, payload: &str, more: &[&str]) {
    let mut arguments = vec!["-q", "1", "-t", topic, "-m", payload];
    arguments.extend(more);
    let output = mosquitto_pub(port, &arguments).output().expect("it runs");
    assert!(output.status.success(), "mosquitto_pub: {output:?}");
}

/// Publishes one message a line with QoS 1 over one connection.
pub(crate) fn publish_lines(port: u16, topic: &str, lines: &[String]) {
    use std::io::Write;
    let mut child = mosquitto_pub(port, &["-q", "1", "-t", topic, "-l"])
        .stdin(Stdio::piped())
        .spawn()
        .expect("mosquitto_pub starts");
    let mut stdin = child.stdin.take().expect("a pipe");
    for line in lines {
        writeln!(stdin, "{line}").expect("mosquitto_pub reads");
    }
    drop(stdin);
    let status = child.wait().expect("mosquitto_pub ends");
    assert!(status.success(), "mosquitto_pub: {status}");
}
