//! Moves the current sale to another channel.

use super::{take_open, undo};
use crate::sales::limits;
use crate::store::command::{Command, Tx};
use crate::store::error::CommandError;
use async_trait::async_trait;
use domain::channel::Channel;
use domain::ids::BasketId;
use serde::{Deserialize, Serialize};

/// Moves an open sale to another channel, with its lines and discounts. A sale that is being paid stays:
/// its payments are already in that channel's drawer.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct MoveBasket {
    /// Which slip.
    pub basket: BasketId,
    /// Where it goes on.
    pub channel: Channel,
}

#[async_trait]
impl Command for MoveBasket {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        tx.shop().known_channel(&self.channel)?;
        let mut slip = take_open(tx, self.basket, None).await?;
        slip.refuse_if_paying()?;
        limits::allow_channel(tx, &self.channel).await?;
        if slip.channel != self.channel {
            undo::keep_step(tx, &slip).await?;
        }
        slip.content.undone = None;
        slip.write(tx).await?;
        sqlx::query("UPDATE basket SET channel = $2 WHERE id = $1")
            .bind(self.basket.raw())
            .bind(self.channel.as_str().to_owned())
            .execute(tx.db())
            .await?;
        Ok(())
    }
}
