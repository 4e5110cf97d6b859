//! `fleecefold shop show | set`

use crate::cli::ShopCommand;
use crate::database_url::Place;
use crate::exit_status::{CliError, Ending};
use ledger::Access;
use ledger::keeping::SetShop;
use std::io::{self, Write};

pub(super) async fn run(place: &Place, command: ShopCommand) -> Result<Ending, CliError> {
    match command {
        ShopCommand::Show => {
            let ledger = place.open(Access::Read).await?;
            let rows = ledger.refresh_shop().await?.rows();
            let widest = rows.iter().map(|(key, _)| key.len()).max().unwrap_or(0);
            let mut out = io::stdout().lock();
            for (key, value) in rows {
                writeln!(out, "{}", format!("{key:widest$}  {value}").trim_end())
                    .map_err(CliError::Stdout)?;
            }
            ledger.close().await;
        }
        ShopCommand::Set { key, value } => {
            let ledger = place.open(Access::Create).await?;
            let is_color = key == "color";
            let set = ledger.execute(None, &SetShop { key, value, who: super::WHO.to_owned() }).await;
            let color = ledger.refresh_shop().await.map(|shop| shop.color);
            ledger.close().await;
            set?;
            if let Some(color) = color.ok().filter(|color| is_color && color.is_faint()) {
                eprintln!(
                    "fleecefold: {color} is faint on white paper; a darker color makes the rule on tags easier to see"
                );
            }
        }
    }
    Ok(Ending::Done)
}
