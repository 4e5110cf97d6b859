//! Says what a command would come to, and does nothing.

use crate::store::Ledger;
use crate::store::command::{Command, FIRST_WAIT, MAX_TRIES, settings_revision};
use crate::store::error::CommandError;
use crate::store::storage_error::StorageError;

impl Ledger {
    /// What a command would answer now, or how it would be rejected. It runs by the same rules as
    /// [`Ledger::execute`], in a transaction that is undone.
    pub(crate) async fn rehearse<C: Command>(&self, command: &C) -> Result<C::Answer, CommandError> {
        let mut wait = FIRST_WAIT;
        for _ in 1..MAX_TRIES {
            match self.rehearse_once(command).await {
                Err(CommandError::Storage(trouble)) if trouble.is_passing() => {
                    if matches!(trouble, StorageError::SettingsChanged) {
                        self.refresh_shop().await?;
                    }
                    tokio::time::sleep(wait).await;
                    wait *= 2;
                }
                ended => return ended,
            }
        }
        self.rehearse_once(command).await
    }

    async fn rehearse_once<C: Command>(&self, command: &C) -> Result<C::Answer, CommandError> {
        let mut tx = self.begin().await?;
        let known = tx.shop().revision;
        let mut ended = command.run(&mut tx).await;
        if ended.is_ok() {
            // What is left to the end may be rejected too.
            let last = tx.take_last();
            if let Err(error) = tx.write(last).await {
                ended = Err(error);
            }
        }
        if matches!(ended, Err(CommandError::Rejected(_))) && settings_revision(tx.db()).await? != known {
            // A rejection under settings that have changed since is none.
            ended = Err(StorageError::SettingsChanged.into());
        }
        // An error of the engine has undone the transaction already.
        tx.roll_back().await.or_else(|trouble| if ended.is_ok() { Err(trouble) } else { Ok(()) })?;
        ended
    }
}
