//! The program under measurement, started as any user starts it.

use crate::trouble::{BenchError, Trying};
use std::fs;
use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::mpsc::{self, Sender};
use std::thread;
use std::time::{Duration, Instant};

/// How often a running command's memory is read. It is the system's own peak, so that only growth in the last
/// such interval can be missed.
const LOOK_EVERY: Duration = Duration::from_millis(5);
/// How long `serve` may take to print its address, or to end.
const PATIENCE: Duration = Duration::from_secs(30);
/// How much of a failed command's output is shown.
const SHOWN: usize = 2000;

#[derive(Clone)]
pub(crate) struct Program {
    path: PathBuf,
    /// The file with the keys of all shops' tokens.
    keys: PathBuf,
}

pub(crate) struct Ran {
    pub(crate) took: Duration,
    /// The most resident memory, in KiB.
    pub(crate) peak_kib: u64,
    pub(crate) stdout: String,
}

struct Running {
    child: Child,
    name: String,
    start: Instant,
    said: thread::JoinHandle<(String, String)>,
}

impl Program {
    pub(crate) fn at(path: &Path, keys: PathBuf) -> Self {
        Self { path: path.to_path_buf(), keys }
    }

    /// Runs a command to its end and expects success.
    pub(crate) fn run(&self, url: &str, arguments: &[&str]) -> Result<Ran, BenchError> {
        self.begin(url, arguments)?.end()
    }

    fn begin(&self, url: &str, arguments: &[&str]) -> Result<Running, BenchError> {
        let mut command = self.command(url, arguments);
        let name = format!("fleecefold {}", arguments.join(" "));
        let start = Instant::now();
        let mut child = command.spawn().trying(&name)?;
        let (mut out, mut err) = pipes(&mut child)?;
        let said = thread::spawn(move || {
            let words = thread::spawn(move || {
                let mut text = String::new();
                // Output that cannot be read is not shown; the status tells whether the command succeeded.
                let _ = err.read_to_string(&mut text);
                text
            });
            let mut text = String::new();
            let _ = out.read_to_string(&mut text);
            (text, words.join().unwrap_or_default())
        });
        Ok(Running { child, name, start, said })
    }

    /// Starts `serve` and waits until it prints its address.
    pub(crate) fn serve(&self, url: &str) -> Result<Serving, BenchError> {
        let mut command = self.command(url, &["serve", "--listen", "127.0.0.1:0"]);
        let mut child = command.spawn().trying("fleecefold serve")?;
        let (out, err) = pipes(&mut child)?;
        let (sender, receiver) = mpsc::channel();
        listen_for_address(out, sender.clone());
        listen_for_address(err, sender);
        let address = receiver.recv_timeout(PATIENCE);
        let mut serving = Serving { child, address: String::new() };
        serving.address = address.map_err(|_| {
            BenchError::Unexpected("fleecefold serve did not say where it listens".to_owned())
        })?;
        Ok(serving)
    }

    fn command(&self, url: &str, arguments: &[&str]) -> Command {
        let mut command = Command::new(&self.path);
        command
            .args(arguments)
            .env("FLEECEFOLD_DB", url)
            .env("FLEECEFOLD_KEYS", &self.keys)
            .env_remove("RUST_LOG");
        command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
        command
    }
}

impl Running {
    /// Waits for its end while watching its memory.
    fn end(mut self) -> Result<Ran, BenchError> {
        let mut peak_kib = 0;
        let status = loop {
            peak_kib = peak_kib.max(memory_kib(self.child.id(), "VmHWM"));
            if let Some(status) = self.child.try_wait().trying(&self.name)? {
                break status;
            }
            thread::sleep(LOOK_EVERY.min(self.start.elapsed() / 50));
        };
        let took = self.start.elapsed();
        let (stdout, words) = self.said.join().unwrap_or_default();
        if !status.success() {
            return Err(ended(&self.name, status, &words));
        }
        Ok(Ran { took, peak_kib, stdout })
    }
}

pub(crate) struct Serving {
    child: Child,
    address: String,
}

impl Serving {
    pub(crate) fn address(&self) -> &str {
        &self.address
    }

    /// A line of `/proc/PID/status`, in KiB.
    pub(crate) fn memory_kib(&self, what: &str) -> u64 {
        memory_kib(self.child.id(), what)
    }

    /// Processor time so far, of the program and of the system on its behalf. The system counts in ticks of 10
    /// ms (Linux,
    /// `proc_pid_stat(5)`: fields 14 and 15).
    pub(crate) fn processor_time(&self) -> Result<Duration, BenchError> {
        const TICK: Duration = Duration::from_millis(10);
        let stat = fs::read_to_string(format!("/proc/{}/stat", self.child.id())).trying("reading /proc")?;
        // The name, which may contain spaces, is in parentheses before the third field.
        let after = stat.rsplit_once(')').map(|(_, after)| after).unwrap_or_default();
        let fields: Vec<u32> = after.split_whitespace().skip(11).take(2).flat_map(str::parse).collect();
        match fields.as_slice() {
            [user, system] => Ok(TICK * (user + system)),
            _ => Err(BenchError::Unexpected(format!("/proc told of no processor time: {stat}"))),
        }
    }

    /// Stops it normally, so that the next process to open the shop is alone.
    pub(crate) fn close(mut self) -> Result<(), BenchError> {
        let pid = self.child.id().to_string();
        Command::new("kill").args(["-TERM", &pid]).status().trying("kill -TERM")?;
        let told = Instant::now();
        while told.elapsed() < PATIENCE {
            if let Some(status) = self.child.try_wait().trying("fleecefold serve")? {
                if status.success() {
                    return Ok(());
                }
                return Err(ended("fleecefold serve", status, ""));
            }
            thread::sleep(Duration::from_millis(2));
        }
        Err(BenchError::Unexpected("fleecefold serve did not end when told to".to_owned()))
    }
}

impl Drop for Serving {
    /// It is still running only after an error, which is the one to report.
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Runs any other program to its end and expects success; returns what it printed.
pub(crate) fn run_other(command: &mut Command, name: &str) -> Result<String, BenchError> {
    let output = command.output().trying(name)?;
    if !output.status.success() {
        return Err(ended(name, output.status, &String::from_utf8_lossy(&output.stderr)));
    }
    Ok(String::from_utf8_lossy(&output.stdout).into_owned())
}

type Pipe = Box<dyn Read + Send>;

fn pipes(child: &mut Child) -> Result<(Pipe, Pipe), BenchError> {
    match (child.stdout.take(), child.stderr.take()) {
        (Some(out), Some(err)) => Ok((Box::new(out), Box::new(err))),
        _ => Err(BenchError::Unexpected("a child without its pipes".to_owned())),
    }
}

/// Reads a pipe to its end, so that it never fills up, and sends the first address in it.
fn listen_for_address(pipe: Pipe, sender: Sender<String>) {
    thread::spawn(move || {
        for line in BufReader::new(pipe).lines().map_while(Result::ok) {
            if let Some(address) = address_in(&line) {
                // Only the first one is awaited.
                let _ = sender.send(address);
            }
        }
    });
}

fn address_in(line: &str) -> Option<String> {
    let at = line.find("127.0.0.1:")?;
    let port: String = line[at + "127.0.0.1:".len()..].chars().take_while(char::is_ascii_digit).collect();
    (!port.is_empty() && port != "0").then(|| format!("127.0.0.1:{port}"))
}

fn memory_kib(pid: u32, what: &str) -> u64 {
    let status = fs::read_to_string(format!("/proc/{pid}/status")).unwrap_or_default();
    let line = status.lines().find(|line| line.starts_with(what));
    line.and_then(|line| line.split_whitespace().nth(1)?.parse().ok()).unwrap_or(0)
}

fn ended(name: &str, status: ExitStatus, words: &str) -> BenchError {
    let skip = words.chars().count().saturating_sub(SHOWN);
    let said = words.chars().skip(skip).collect();
    BenchError::Ended { command: name.to_owned(), status: status.to_string(), said }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_is_found_in_words_and_in_json() {
        let check = |line: &str, expected: Option<&str>| {
            assert_eq!(address_in(line).as_deref(), expected, "{line}");
        };
        check("open at http://127.0.0.1:4711/", Some("127.0.0.1:4711"));
        check(r#"{"address":"127.0.0.1:80"}"#, Some("127.0.0.1:80"));
        check("asked for 127.0.0.1:0", None);
        check("nothing", None);
    }
}
