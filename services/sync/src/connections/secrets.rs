//! Secrets: looked up by name in the environment or in a folder of files, never stored in the database.

use feeds::connection::SecretName;
use std::collections::HashSet;
use std::fmt;
use std::fs::File;
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// The beginning of a variable's name.
const VARIABLE: &str = "FLEECEFOLD_SECRET_";
/// The longest secret, in bytes: a signed token has some hundred, and a file given by mistake has more.
const MAX_SECRET_BYTES: u64 = 8 << 10;

/// A text that must not be seen: it appears in no log and no error.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    pub fn new(text: String) -> Self {
        Self(text)
    }

    /// The text, for whoever signs or authenticates with it.
    pub(crate) fn reveal(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret(…)")
    }
}

/// Why a secret cannot be used. No variant contains any part of it.
#[derive(Debug, thiserror::Error)]
pub enum SecretError {
    /// It is neither in the environment nor in the folder.
    #[error("there is no secret “{name}”: set {variable}, or write it into {place}")]
    Missing {
        name: String,
        /// The environment variable that was tried.
        variable: String,
        place: String,
    },
    #[error("the secret in {path} cannot be read: {source}; may this user read it?", path = path.display())]
    Read {
        path: PathBuf,
        #[source]
        source: io::Error,
    },
    #[error("the secret “{name}” is longer than {MAX_SECRET_BYTES} bytes; is it the right file?")]
    TooLong { name: String },
    #[error("the secret “{name}” is empty; write it again")]
    Empty { name: String },
    /// It contains something that no header can carry.
    #[error(
        "the secret “{name}” has a line end or another control character in the middle; write it on one line"
    )]
    Control { name: String },
    /// A user name and password without a colon between them.
    #[error("the secret “{name}” is used as = \"{how}\", and has no colon; write {words}", words = pair(how))]
    NoColon { name: String, how: &'static str },
    /// Not a valid key for webhooks.
    #[error("the webhook secret “{name}” {why}")]
    NotAKey { name: String, why: &'static str },
}

/// What stands before and after the colon.
fn pair(how: &str) -> &'static str {
    if how == "oauth" { "client:secret" } else { "user:password" }
}

type Variables = dyn Fn(&str) -> Option<String> + Send + Sync;

#[derive(Clone)]
pub struct Secrets {
    folder: Option<PathBuf>,
    variables: Arc<Variables>,
    warned: Arc<Mutex<HashSet<String>>>,
}

impl fmt::Debug for Secrets {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Secrets").field("folder", &self.folder).finish_non_exhaustive()
    }
}

impl Secrets {
    /// In the program's environment and, after that, in a folder.
    pub fn new(folder: Option<PathBuf>) -> Self {
        Self::with_variables(folder, |name| std::env::var(name).ok())
    }

    pub fn with_variables(
        folder: Option<PathBuf>,
        variables: impl Fn(&str) -> Option<String> + Send + Sync + 'static,
    ) -> Self {
        Self { folder, variables: Arc::new(variables), warned: Arc::default() }
    }

    /// The environment variable for a secret.
    pub fn variable(name: &SecretName) -> String {
        format!("{VARIABLE}{}", name.as_str().to_ascii_uppercase().replace('-', "_"))
    }

    /// Looks up a secret. It is read again each time, so that a change takes effect at once.
    pub fn find(&self, name: &SecretName) -> Result<Secret, SecretError> {
        let variable = Self::variable(name);
        let text = match (self.variables)(&variable) {
            Some(text) => text,
            None => self.read(name, variable)?,
        };
        checked(name, &text)
    }

    /// What somebody should know about the file of a secret; none if it is fine.
    pub fn warning(&self, name: &SecretName) -> Option<String> {
        if (self.variables)(&Self::variable(name)).is_some() {
            return None;
        }
        let path = self.folder.as_ref()?.join(name.as_str());
        let open = is_open_to_others(&path);
        open.then(|| format!("{} can be read by others; run: chmod 600 {}", path.display(), path.display()))
    }

    fn read(&self, name: &SecretName, variable: String) -> Result<Unchecked, SecretError> {
        let missing =
            |place: String| SecretError::Missing { name: name.as_str().to_owned(), variable, place };
        let Some(folder) = &self.folder else {
            return Err(missing("a folder that is named by --secrets".to_owned()));
        };
        let path = folder.join(name.as_str());
        let mut text = String::new();
        let read = File::open(&path).and_then(|f| f.take(MAX_SECRET_BYTES + 1).read_to_string(&mut text));
        match read {
            Ok(_) => {}
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Err(missing(path.display().to_string())),
            Err(source) => return Err(SecretError::Read { path, source }),
        }
        self.warn_once(name);
        Ok(text)
    }

    fn warn_once(&self, name: &SecretName) {
        let Some(words) = self.warning(name) else { return };
        let mut warned = self.warned.lock().unwrap_or_else(PoisonError::into_inner);
        if warned.insert(name.as_str().to_owned()) {
            tracing::warn!(secret = name.as_str(), "{words}");
        }
    }
}

/// The text of a secret before it is checked.
type Unchecked = String;

fn checked(name: &SecretName, text: &str) -> Result<Secret, SecretError> {
    let whose = || name.as_str().to_owned();
    if text.len() as u64 > MAX_SECRET_BYTES {
        return Err(SecretError::TooLong { name: whose() });
    }
    let text = text.trim();
    if text.is_empty() {
        return Err(SecretError::Empty { name: whose() });
    }
    if text.chars().any(char::is_control) {
        return Err(SecretError::Control { name: whose() });
    }
    Ok(Secret(text.to_owned()))
}

#[cfg(unix)]
fn is_open_to_others(path: &Path) -> bool {
    use std::os::unix::fs::PermissionsExt;
    std::fs::metadata(path).is_ok_and(|found| found.permissions().mode() & 0o077 != 0)
}

#[cfg(not(unix))]
fn is_open_to_others(_: &Path) -> bool {
    false
}

#[cfg(test)]
mod tests {
    use super::*;

    fn name(text: &str) -> SecretName {
        SecretName::parse(text).unwrap()
    }

    #[test]
    fn a_secret_is_looked_up_in_the_environment_and_then_in_the_folder() {
        let folder = tempfile::tempdir().unwrap();
        let write = |name: &str, text: &str| std::fs::write(folder.path().join(name), text).unwrap();
        write("village", "from-file\n");
        write("both", "from-file");
        write("empty", " \n");
        write("lines", "one\ntwo\n");
        write("long", &"x".repeat(9000));
        std::fs::write(folder.path().join("bytes"), [0xff, 0xfe]).unwrap();
        let variables = |name: &str| match name {
            "FLEECEFOLD_SECRET_BOTH" => Some("from-variable".to_owned()),
            "FLEECEFOLD_SECRET_VILLAGE_HOOK" => Some("hook".to_owned()),
            _ => None,
        };
        let secrets = Secrets::with_variables(Some(folder.path().to_owned()), variables);
        let check = |of: &str, expected: &str| {
            let found = secrets.find(&name(of)).map_or_else(|e| e.to_string(), |s| s.reveal().to_owned());
            assert!(found.contains(expected), "{of}: {found}");
        };
        check("village", "from-file");
        check("both", "from-variable");
        check("village-hook", "hook");
        check("empty", "“empty” is empty");
        check("lines", "on one line");
        check("long", "longer than 8192 bytes");
        check("bytes", "cannot be read");
        check("none", "set FLEECEFOLD_SECRET_NONE, or write it into");
        let none = Secrets::with_variables(None, |_| None).find(&name("x")).unwrap_err().to_string();
        assert!(none.contains("--secrets"), "{none}");
    }

    #[test]
    fn a_secret_shows_itself_nowhere() {
        let secret = Secret::new("hush-hush".to_owned());
        assert_eq!(format!("{secret:?}"), "Secret(…)");
        assert_eq!(format!("{:?}", Some(&secret)), "Some(Secret(…))");
    }

    #[cfg(unix)]
    #[test]
    fn a_file_that_others_may_read_is_warned_of() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("village");
        std::fs::write(&path, "x").unwrap();
        let secrets = Secrets::with_variables(Some(folder.path().to_owned()), |_| None);
        for (mode, warned) in [(0o600, false), (0o400, false), (0o644, true), (0o640, true), (0o604, true)] {
            std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode)).unwrap();
            assert_eq!(secrets.warning(&name("village")).is_some(), warned, "{mode:o}");
        }
    }
}
