//! The pretend online shop beside the demo, and the connection to it: what sells at the counter disappears
//! there a moment later, and what is ordered there comes off the stock.

use super::OWNER;
use super::trouble::{DemoError, Doing};
use jiff::Timestamp;
use ledger::Ledger;
use pretend::{HookSecret, HooksTo, Options, PretendError, Running, Shop};
use std::fs;
use std::io::{self, Write};
use std::net::{Ipv4Addr, SocketAddr};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::Path;
use sync::connections::{Live, NotReconciled, check_connection, reconcile};

/// The connection's name, which its secret shares, and the name of the secret that signs its hooks.
const NAME: &str = "village";
const HOOK: &str = "village-hook";
/// The pretend shop's address, unless another was given or the port is taken.
const USUAL: SocketAddr = SocketAddr::new(std::net::IpAddr::V4(Ipv4Addr::LOCALHOST), 8441);
const ANY: SocketAddr = SocketAddr::new(std::net::IpAddr::V4(Ipv4Addr::LOCALHOST), 0);

/// Opens the pretend shop and connects the demo to it; its hooks go to `till`. The pretend shop starts empty
/// each time, so everything is sent to it again.
pub(crate) async fn open(
    ledger: &Ledger,
    live: &Live,
    secrets: &Path,
    listen: Option<SocketAddr>,
    till: SocketAddr,
) -> Result<Running, DemoError> {
    let secret = secret(secrets, NAME)?;
    let hook = HookSecret::parse(&self::secret(secrets, HOOK)?).doing("read the secret of its hooks")?;
    let hooks =
        HooksTo { address: format!("http://{till}/hooks/{NAME}"), secrets: vec![hook], by_itself: true };
    // Order numbers must not repeat those of an earlier run. The seconds since 1970 are always ahead of
    // them: nobody clicks through one order a second.
    let first_order = u64::try_from(Timestamp::now().as_second()).unwrap_or_default();
    let options = Options { secret: Some(secret), hooks: Some(hooks), first_order, ..Options::default() };
    let shop = open_at(options, listen).await.map_err(DemoError::Online)?;
    if connect(ledger, &shop).await? {
        tell_again(ledger, live).await?;
    }
    Ok(shop)
}

/// Uses the given address; otherwise the usual one, or any free port if that is taken.
async fn open_at(options: Options, listen: Option<SocketAddr>) -> Result<Running, PretendError> {
    let given = Options { listen: listen.unwrap_or(USUAL), ..options.clone() };
    match Shop::start(given).await {
        Err(PretendError::PortTaken { .. }) if listen.is_none() => {
            Shop::start(Options { listen: ANY, ..options }).await
        }
        started => started,
    }
}

/// Saves the connection unless it is right as it is. Returns whether there was one. A connection that
/// somebody edited is left alone.
async fn connect(ledger: &Ledger, shop: &Running) -> Result<bool, DemoError> {
    let connections = ledger.live_connections().await.doing("look at its connections")?;
    let known = connections.into_iter().find(|connection| connection.name == NAME);
    let text = text(&shop.base());
    if let Some(known) = &known {
        let is_ours = base_of(&known.text).is_some_and(|base| known.text == self::text(base));
        if !is_ours || known.text == text {
            return Ok(is_ours);
        }
    }
    let checked = check_connection(&text).doing("read its connection")?;
    let save = checked.save(NAME, text, OWNER);
    ledger.execute(None, &save).await.doing("save its connection")?;
    Ok(known.is_some())
}

/// The new pretend shop lists nothing; comparing notices that and sends everything again.
async fn tell_again(ledger: &Ledger, live: &Live) -> Result<(), DemoError> {
    match reconcile(ledger, live, NAME, 0).await {
        // Another demo process on this shop is doing it.
        Ok(_) | Err(NotReconciled::Busy { .. }) => Ok(()),
        Err(error) => Err(error).doing("compare the pretend online shop with its shelf"),
    }
}

/// Reads a secret from the folder, and creates it if it is missing.
fn secret(folder: &Path, name: &str) -> Result<String, DemoError> {
    const STEP: &str = "keep its secrets";
    let path = folder.join(name);
    match fs::read_to_string(&path) {
        Ok(text) => return Ok(text.trim().to_owned()),
        Err(error) if error.kind() == io::ErrorKind::NotFound => {}
        Err(error) => return Err(error).doing(STEP),
    }
    fs::DirBuilder::new().recursive(true).mode(0o700).create(folder).doing(STEP)?;
    // 32 characters of base64url, which are 24 bytes; standard base64 writes two of the characters
    // differently.
    let text = format!("whsec_{}", till::random_text().replace('-', "+").replace('_', "/"));
    let mut file = fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(&path).doing(STEP)?;
    file.write_all(text.as_bytes()).doing(STEP)?;
    Ok(text)
}

fn base_of(text: &str) -> Option<&str> {
    text.lines().find_map(|line| line.strip_prefix("base = \"")?.strip_suffix('"'))
}

/// Written like a connection to any other shop of this kind.
fn text(base: &str) -> String {
    include_str!("village.toml").replace("http://127.0.0.1:8441", base)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt;

    #[test]
    fn its_text_is_a_connection_and_names_its_base() {
        let of = text("http://127.0.0.1:4711");
        assert_eq!(base_of(&of), Some("http://127.0.0.1:4711"));
        assert!(check_connection(&of).is_ok());
        assert_eq!(base_of("channel = \"online\""), None);
    }

    #[test]
    fn a_secret_is_made_once_and_for_its_owner_alone() {
        let folder = tempfile::tempdir().unwrap();
        let secrets = folder.path().join("demo.db.secrets");
        let made = secret(&secrets, HOOK).unwrap();
        assert!(HookSecret::parse(&made).is_ok(), "24 bytes");
        assert_eq!(secret(&secrets, HOOK).unwrap(), made);
        assert_ne!(secret(&secrets, NAME).unwrap(), made);
        let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
        assert_eq!((mode(&secrets), mode(&secrets.join(HOOK))), (0o700, 0o600));
    }
}
