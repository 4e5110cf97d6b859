//! Signs and verifies hooks for `tests/outside/hooks.py`, which does the same with the reference library
//! and compares. One command a line, its parts parted by tabs, the body in base64:
//! `sign SECRET ID SECONDS BODY` answers the signature, `verify SECRET ID SECONDS SIGNATURES BODY NOW`
//! answers yes or no; an answer a line.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use domain::day::Moment;
use feeds::connection::SecretName;
use std::error::Error;
use std::io::{self, BufRead, Write};
use sync::connections::Secret;
use sync::connections::signature::{
    HookHeaders, HookKey, ID_HEADER, SIGNATURE_HEADER, TIME_HEADER, verify_standard,
};

/// As the reference libraries have it.
const TOLERANCE_MS: i64 = 5 * 60 * 1000;

fn main() -> Result<(), Box<dyn Error>> {
    let mut out = io::stdout().lock();
    for line in io::stdin().lock().lines() {
        writeln!(out, "{}", answer(&line?)?)?;
    }
    Ok(())
}

fn answer(line: &str) -> Result<String, Box<dyn Error>> {
    let parts: Vec<&str> = line.split('\t').collect();
    let key = |secret: &str| -> Result<HookKey, Box<dyn Error>> {
        let name = SecretName::parse("hook").ok_or("a name")?;
        Ok(HookKey::standard(&name, &Secret::new(secret.to_owned()))?)
    };
    match parts[..] {
        ["sign", secret, id, seconds, body] => {
            Ok(key(secret)?.sign(id, seconds.parse()?, &STANDARD.decode(body)?))
        }
        ["verify", secret, id, seconds, signatures, body, now] => {
            let headers = [(ID_HEADER, id), (TIME_HEADER, seconds), (SIGNATURE_HEADER, signatures)];
            let headers = headers.map(|(name, value)| (name.to_owned(), value.to_owned()));
            let now = Moment::from_millis(now.parse::<i64>()? * 1000);
            let body = STANDARD.decode(body)?;
            let verified = verify_standard(&[key(secret)?], HookHeaders(&headers), &body, now, TOLERANCE_MS);
            Ok(if verified.is_ok() { "yes" } else { "no" }.to_owned())
        }
        _ => Err(format!("not a command: {line}").into()),
    }
}
