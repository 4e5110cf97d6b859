//! The real program: started, used, and killed as by a person or a power failure.

use serde_json::Value;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::OnceLock;
use std::time::Duration;
use testkit::{Ground, engines};

/// How long an answer may take before the test fails.
const PATIENCE: Duration = Duration::from_secs(30);

/// The program to test: the one named by `FLEECEFOLD_BIN`, or the one next to the test's own folder.
///
/// # Panics
/// If there is none.
pub fn binary() -> PathBuf {
    if let Some(named) = std::env::var_os("FLEECEFOLD_BIN") {
        return PathBuf::from(named);
    }
    let test = std::env::current_exe().expect("the test has a path");
    let beside = test.parent().and_then(Path::parent).expect("target folders").join("fleecefold");
    assert!(
        beside.exists(),
        "{} is missing: build it with `cargo build`, or run tests/run",
        beside.display()
    );
    beside
}

/// The program on a shop in a place of its own.
#[derive(Debug)]
pub struct Place {
    pub ground: Ground,
    token: OnceLock<String>,
}

/// A new place on each engine.
///
/// # Panics
/// If neither `FLEECEFOLD_TEST_PG` names a PostgreSQL nor `FLEECEFOLD_TEST_ENGINES=sqlite` excludes it.
pub fn places() -> Vec<Place> {
    let place = |engine| Place { ground: Ground::new(engine), token: OnceLock::new() };
    engines().into_iter().map(place).collect()
}

impl Place {
    /// Writes a file for the test.
    ///
    /// # Panics
    /// If it cannot be written.
    pub fn file(&self, name: &str, text: &str) -> PathBuf {
        let path = self.ground.path(name);
        std::fs::write(&path, text).expect("the file is written");
        path
    }

    /// A command line on this shop.
    pub fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::new(binary());
        command
            .arg("--db")
            .arg(&self.ground.url)
            .args(args)
            .current_dir(self.ground.folder.path())
            .stdin(Stdio::null());
        command.env("FLEECEFOLD_KEYS", self.ground.path("token.keys"));
        command
    }

    /// Runs a command to its end.
    ///
    /// # Panics
    /// If it does not start.
    pub fn run(&self, args: &[&str]) -> Output {
        self.command(args).output().expect("the program starts")
    }

    /// Runs a command that must succeed; returns what it printed.
    ///
    /// # Panics
    /// If it fails.
    pub fn must(&self, args: &[&str]) -> String {
        let done = self.run(args);
        let errors = String::from_utf8_lossy(&done.stderr);
        assert!(done.status.success(), "{} {args:?}: {}\n{errors}", self.ground.url, done.status);
        String::from_utf8_lossy(&done.stdout).into_owned()
    }

    /// `fleecefold check` must find nothing.
    pub fn must_be_sound(&self) {
        self.must(&["check"]);
    }

    fn token(&self) -> &str {
        self.token.get_or_init(|| self.must(&["token", "add", "e2e", "--role", "owner"]).trim().to_owned())
    }

    /// Starts `serve` on a free loopback port.
    ///
    /// # Panics
    /// If it prints no address.
    pub fn serve(&self) -> Served {
        let token = self.token().to_owned();
        let mut command = self.command(&["--log", "text", "serve", "--listen", "127.0.0.1:0"]);
        let mut child = command.stderr(Stdio::piped()).stdout(Stdio::null()).spawn().expect("it starts");
        let mut lines = BufReader::new(child.stderr.take().expect("its words"));
        let mut said = String::new();
        let address = loop {
            let mut line = String::new();
            let read = lines.read_line(&mut line).expect("its words are text");
            assert!(read > 0, "serve ended without an address: {said}");
            if let Some(address) = address_in(&line) {
                break address;
            }
            said.push_str(&line);
        };
        // Later output must not fill the pipe and block it.
        std::thread::spawn(move || std::io::copy(&mut lines, &mut std::io::sink()));
        Served { child, at: At { address, token } }
    }

    /// Starts `demo` on free loopback ports; returns the address of its pretend online shop and the secret for
    /// it.
    ///
    /// # Panics
    /// If it does not print both addresses.
    pub fn demo(&self) -> (Served, At) {
        let asked = [
            "--log",
            "text",
            "demo",
            "--as-of",
            "2025-11-01",
            "--listen",
            "127.0.0.1:0",
            "--shop-listen",
            "127.0.0.1:0",
        ];
        let mut command = self.command(&asked);
        let mut child = command.stderr(Stdio::piped()).stdout(Stdio::null()).spawn().expect("it starts");
        let mut lines = BufReader::new(child.stderr.take().expect("its words"));
        let (mut said, mut online) = (String::new(), None);
        let address = loop {
            let mut line = String::new();
            let read = lines.read_line(&mut line).expect("its words are text");
            assert!(read > 0, "demo ended without its addresses: {said}");
            online = online.or_else(|| {
                address_in(&line.replace("localhost", "127.0.0.1")).filter(|_| line.contains("pretend"))
            });
            if let Some(address) = address_in(&line) {
                break address;
            }
            said.push_str(&line);
        };
        std::thread::spawn(move || std::io::copy(&mut lines, &mut std::io::sink()));
        let secret = self.ground.path("shop.db.secrets/village");
        let secret = std::fs::read_to_string(secret).expect("the secret of its online shop");
        let online = At { address: online.expect("the address of its online shop"), token: secret };
        (Served { child, at: At { address, token: self.token().to_owned() } }, online)
    }
}

fn address_in(line: &str) -> Option<SocketAddr> {
    let (_, after) = line.split_once("127.0.0.1:")?;
    let port: String = after.chars().take_while(char::is_ascii_digit).collect();
    format!("127.0.0.1:{port}").parse().ok()
}

/// A shop's address, and the credential for it.
#[derive(Clone, Debug)]
pub struct At {
    pub address: SocketAddr,
    token: String,
}

/// A running `serve`.
#[derive(Debug)]
pub struct Served {
    child: Child,
    pub at: At,
}

impl Served {
    /// Kills it as a power failure would (SIGKILL), and waits until it is gone.
    ///
    /// # Panics
    /// If it cannot be killed.
    pub fn kill(mut self) {
        self.child.kill().expect("it is killed");
        self.child.wait().expect("it is gone");
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        // It may be gone already.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answer {
    pub status: u16,
    pub text: String,
}

impl Answer {
    /// The body as JSON.
    ///
    /// # Panics
    /// If it is not JSON.
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.text).unwrap_or_else(|e| panic!("{e}: {}", self.text))
    }
}

/// One request on its own connection.
///
/// # Errors
/// If the connection breaks before the answer is complete.
pub fn ask(at: &At, method: &str, path: &str, key: &str, body: &str) -> std::io::Result<Answer> {
    let At { address, token } = at;
    let mut stream = TcpStream::connect_timeout(address, PATIENCE)?;
    stream.set_read_timeout(Some(PATIENCE))?;
    let key = if key.is_empty() { String::new() } else { format!("Idempotency-Key: \"{key}\"\r\n") };
    let kind = if body.is_empty() { "" } else { "Content-Type: application/json\r\n" };
    let head = format!(
        "{method} {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\nAuthorization: Bearer {token}\r\n{key}{kind}Content-Length: {}\r\n\r\n",
        body.len()
    );
    stream.write_all(head.as_bytes())?;
    stream.write_all(body.as_bytes())?;
    let mut all = Vec::new();
    stream.read_to_end(&mut all)?;
    let broken = || std::io::Error::new(std::io::ErrorKind::UnexpectedEof, "the answer was cut off");
    let text = String::from_utf8_lossy(&all);
    let (head, body) = text.split_once("\r\n\r\n").ok_or_else(broken)?;
    let status = head.split(' ').nth(1).and_then(|s| s.parse().ok()).ok_or_else(broken)?;
    let length = head
        .lines()
        .filter_map(|l| l.split_once(": "))
        .find(|(name, _)| name.eq_ignore_ascii_case("content-length"))
        .and_then(|(_, length)| length.parse::<usize>().ok());
    if length.is_some_and(|length| body.len() < length) {
        return Err(broken());
    }
    Ok(Answer { status, text: body.to_owned() })
}
