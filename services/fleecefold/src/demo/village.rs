//! The pretend online shop beside the demo, and the connection to it: what is sold at the counter is gone
//! there a moment later, and what is ordered there comes off the shelf.

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
use sync::live::{Live, NotReconciled, check_connection, reconcile};

/// The connection's name, and that of the secret by which hooks are believed.
const NAME: &str = "village";
const HOOK: &str = "village-hook";
/// Where the pretend shop opens if nobody says otherwise and nobody is there.
const USUAL: SocketAddr = SocketAddr::new(std::net::IpAddr::V4(Ipv4Addr::LOCALHOST), 8441);
/// Any free port.
const ANY: SocketAddr = SocketAddr::new(std::net::IpAddr::V4(Ipv4Addr::LOCALHOST), 0);

/// Opens the pretend shop and connects the demo to it; `till` is where hooks go. The shop is new each
/// time, so that what the demo told an earlier one is told again.
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
    // Its order numbers go on where an earlier shop's cannot have been: one a second is not ordered by hand.
    let first_order = u64::try_from(Timestamp::now().as_second()).unwrap_or_default();
    let options = Options { secret: Some(secret), hooks: Some(hooks), first_order, ..Options::default() };
    let shop = open_at(options, listen).await.map_err(DemoError::Online)?;
    if connect(ledger, &shop).await? {
        tell_again(ledger, live).await?;
    }
    Ok(shop)
}

/// At the address that was given; else at the usual one, or any that is free if somebody is there.
async fn open_at(options: Options, listen: Option<SocketAddr>) -> Result<Running, PretendError> {
    let given = Options { listen: listen.unwrap_or(USUAL), ..options.clone() };
    match Shop::start(given).await {
        Err(PretendError::PortTaken { .. }) if listen.is_none() => {
            Shop::start(Options { listen: ANY, ..options }).await
        }
        started => started,
    }
}

/// Saves the connection, unless it stands as it should; whether there was one. One that a person has
/// written anew is left alone.
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

/// The new shop lists nothing: comparing finds it, and tells all of it anew.
async fn tell_again(ledger: &Ledger, live: &Live) -> Result<(), DemoError> {
    match reconcile(ledger, live, NAME, 0).await {
        // Another demo on this shop is at it.
        Ok(_) | Err(NotReconciled::Busy { .. }) => Ok(()),
        Err(error) => Err(error).doing("compare the pretend online shop with its shelf"),
    }
}

/// A secret of the folder; made if it is missing.
fn secret(folder: &Path, name: &str) -> Result<String, DemoError> {
    const STEP: &str = "keep its secrets";
    let path = folder.join(name);
    match fs::read_to_string(&path) {
        Ok(text) => return Ok(text.trim().to_owned()),
        Err(error) if error.kind() == io::ErrorKind::NotFound => {}
        Err(error) => return Err(error).doing(STEP),
    }
    fs::DirBuilder::new().recursive(true).mode(0o700).create(folder).doing(STEP)?;
    // Thirty-two characters of base64url without the two that base64 writes otherwise: 24 bytes.
    let text = format!("whsec_{}", till::random_text().replace('-', "+").replace('_', "/"));
    let mut file = fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(&path).doing(STEP)?;
    file.write_all(text.as_bytes()).doing(STEP)?;
    Ok(text)
}

fn base_of(text: &str) -> Option<&str> {
    text.lines().find_map(|line| line.strip_prefix("base = \"")?.strip_suffix('"'))
}

/// The connection, as anybody would write it for a shop of this kind.
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
