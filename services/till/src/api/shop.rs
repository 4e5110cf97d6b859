//! GET /api/shop

use crate::app::App;
use crate::problem::{Problem, ReadProblems};
use axum::Json;
use axum::extract::State;
use domain::basket::Tie;
use domain::money::Money;
use ledger::Shop;
use serde::Serialize;
use utoipa::ToSchema;

/// The shop's settings.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct ShopShown {
    name: String,
    /// ISO 4217.
    currency: String,
    /// IANA name.
    zone: String,
    /// UN/CEFACT code of the shop's unit of weight.
    unit_code: &'static str,
    /// Where pictures of listings can be fetched.
    image_base: Option<String>,
    /// Of the rule on printed tags, as CSS writes it in hex.
    color: String,
    /// The lines below the shop's name on receipts; may be empty.
    address: String,
    /// Words for every customer on receipts; may be empty.
    receipt_note: String,
    /// What can be returned, on receipts; may be empty.
    return_policy: String,
    /// How cash is rounded; null if it is not.
    cash_rounding: Option<CashRoundingShown>,
    /// The ways to pay that the counter offers.
    tenders: Vec<&'static str>,
    channels: Vec<ChannelShown>,
}

/// How cash is rounded.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct CashRoundingShown {
    /// The smallest coin.
    step: String,
    /// `up` or `down`: where an amount midway between two coins goes.
    tie: &'static str,
}

/// A channel.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ChannelShown {
    code: String,
    name: String,
    /// The fee that it keeps of a sale, such as `3.1% + 0.25`; null if none.
    fee: Option<String>,
}

impl From<&Shop> for ShopShown {
    fn from(shop: &Shop) -> Self {
        let rule = shop.cash_rounding;
        let tie = match rule.tie() {
            Tie::Up => "up",
            Tie::Down => "down",
        };
        let step = Money::from_minor(rule.step_minor(), shop.currency).ok().filter(|s| s.minor() > 1);
        let channel = |(code, name): (&domain::channel::Channel, &String)| ChannelShown {
            code: code.to_string(),
            name: name.clone(),
            fee: shop.fees.get(code).map(ToString::to_string),
        };
        Self {
            name: shop.name.clone(),
            currency: shop.currency.to_string(),
            zone: shop.zone.name().to_owned(),
            unit_code: shop.unit.code(),
            image_base: shop.image_base.clone(),
            color: shop.color.to_string(),
            address: shop.receipt.address.clone(),
            receipt_note: shop.receipt.note.clone(),
            return_policy: shop.receipt.return_policy.clone(),
            cash_rounding: step.map(|step| CashRoundingShown { step: step.to_string(), tie }),
            tenders: shop.tenders.iter().map(|kind| kind.code()).collect(),
            channels: shop.channels.iter().map(channel).collect(),
        }
    }
}

/// The shop's name, currency, time zone, unit and channels.
#[utoipa::path(get, path = "/api/shop", tag = "shop",
    responses(
        (status = 200, description = "The settings.", body = ShopShown),
        ReadProblems,
    ))]
pub(crate) async fn read_shop(State(app): State<App>) -> Result<Json<ShopShown>, Problem> {
    let shop = app.ledger.refresh_shop().await?;
    Ok(Json(ShopShown::from(shop.as_ref())))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use ledger::keeping::SetShop;

    #[tokio::test]
    async fn settings_are_shown_as_they_are_now() {
        let shop = TestShop::open().await;
        let shown = shop.get("/api/shop").await.json();
        assert_eq!((&shown["currency"], &shown["zone"]), (&"USD".into(), &"UTC".into()));
        assert_eq!((&shown["cashRounding"], &shown["imageBase"]), (&().into(), &().into()));
        let codes: Vec<&str> = shown["channels"]
            .as_array()
            .expect("channels")
            .iter()
            .filter_map(|c| c["code"].as_str())
            .collect();
        assert_eq!(codes, ["market", "online", "store", "wholesale"]);
        assert_eq!(shown["tenders"][0], "cash");
        assert_eq!(
            shown["channels"][1],
            serde_json::json!({"code": "online", "name": "Online shop", "fee": null})
        );
        let settings = [
            ("name", "Hill farm"),
            ("color", "2F5F9E"),
            ("cash_rounding", "5 down"),
            ("address", "1 Fold Lane\nHillside"),
            ("fee.online", "3.1%+0.25"),
            ("tenders", "card cash"),
        ];
        for (key, value) in settings {
            let set = SetShop { key: key.to_owned(), value: value.to_owned(), who: "owner".to_owned() };
            shop.ledger().execute(None, &set).await.expect("set");
        }
        let shown = shop.get("/api/shop").await.json();
        assert_eq!(
            (&shown["name"], &shown["address"]),
            (&"Hill farm".into(), &"1 Fold Lane\nHillside".into())
        );
        assert_eq!(
            (&shown["channels"][1]["fee"], &shown["tenders"][0]),
            (&"3.1% + 0.25".into(), &"card".into())
        );
        assert_eq!(shown["cashRounding"], serde_json::json!({"step": "0.05", "tie": "down"}));
        assert_eq!(shown["color"], "#2f5f9e");
    }
}
