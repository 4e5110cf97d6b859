//! What a command must not overlook that somebody else did while it was waiting. Only PostgreSQL lets two write
//! at once; on SQLite nobody waits inside a transaction.

use crate::audit;
use crate::expected::*;
use crate::harness::{Shop, on_each};
use crate::make::*;
use domain::channel::Channel;
use domain::customer::Contact;
use domain::item::TextField;
use domain::pricing::{PriceEnding, PriceRule, WeightRate};
use domain::stock::ItemKind;
use ledger::customers::AddCustomer;
use ledger::keeping::EraseCustomer;
use ledger::rejection::{CustomersReason, ShelfReason};
use ledger::sales::OpenDrawer;
use ledger::shelf::{NewHold, Purpose, RepriceStyle};
use ledger::{Command, CommandError, Rejection};
use sqlx::pool::PoolConnection;
use sqlx::{Any, AssertSqlSafe};
use std::time::Duration;
use testkit::Engine;
use tokio::task::JoinHandle;

type Ended<C> = Result<<C as Command>::Answer, Rejection>;

/// Somebody else's transaction, which keeps what it changed.
struct Other(PoolConnection<Any>);

impl Other {
    async fn changes(shop: &Shop, statement: &str) -> Self {
        let mut other = Self(shop.raw().await);
        other.run("BEGIN").await;
        other.run(statement).await;
        other
    }

    async fn run(&mut self, statement: &str) {
        sqlx::raw_sql(AssertSqlSafe(statement.to_owned())).execute(&mut *self.0).await.unwrap();
    }

    /// Starts a command, and returns once it waits for this transaction.
    async fn keeps_waiting<C>(&mut self, shop: &Shop, command: C) -> JoinHandle<Ended<C>>
    where
        C: Command + Send + 'static,
        C::Answer: Sync + 'static,
    {
        let ledger = shop.ledger.clone();
        let started = tokio::spawn(async move {
            match ledger.execute(None, &command).await {
                Ok(done) => Ok(done.answer),
                Err(CommandError::Rejected(rejection)) => Err(*rejection),
                Err(failure) => panic!("{}", crate::harness::in_full(&failure)),
            }
        });
        while self.waiting().await == 0 {
            assert!(!started.is_finished(), "it did not wait");
            tokio::time::sleep(Duration::from_millis(2)).await;
        }
        started
    }

    async fn waiting(&mut self) -> i64 {
        let text = "SELECT CAST(COUNT(*) AS BIGINT) FROM pg_locks l WHERE NOT l.granted AND l.pid IN \
            (SELECT pid FROM pg_stat_get_activity(NULL) a JOIN pg_database d ON d.oid = a.datid \
             WHERE d.datname = current_database())";
        self.run("SELECT pg_stat_clear_snapshot()").await;
        sqlx::query_scalar(text).fetch_one(&mut *self.0).await.unwrap()
    }

    async fn commits(mut self) {
        self.run("COMMIT").await;
    }
}

fn on_postgres<F, Fut>(test: F)
where
    F: Fn(Shop) -> Fut,
    Fut: Future<Output = ()>,
{
    on_each(|shop| {
        let test = (shop.engine == Engine::Postgres).then(|| test(shop));
        async move {
            if let Some(test) = test {
                test.await;
            }
        }
    });
}

#[test]
fn a_file_leaves_the_cost_that_was_given_meanwhile() {
    on_postgres(|shop| async move {
        shop.ok(add(vec![piece("p1", 4500), piece("p2", 4500)])).await;
        let mut other =
            Other::changes(&shop, "UPDATE item SET cost = 700, revision = revision + 1 WHERE sku = 'p1'")
                .await;
        let rows = ["p2", "p1"].map(|sku| of(piece(sku, 4500), [(TextField::Name, "Renamed")]));
        let file = other.keeps_waiting(&shop, add(rows.into())).await;
        other.commits().await;
        file.await.unwrap().unwrap();
        let item = shop.ledger.item(&code("p1")).await.unwrap();
        assert_eq!((item.text.name.as_str(), item.cost), ("Renamed", Some(usd(700))));
        audit::clean(&shop).await;
    });
}

#[test]
fn a_new_rate_prices_no_item_that_left_its_style_meanwhile() {
    on_postgres(|shop| async move {
        shop.ok(style("Ridge beanie", "7.50", "ONZ", "whole", None)).await;
        shop.ok(style("Moor cowl", "5", "ONZ", "whole", None)).await;
        let hat = with(item(ItemKind::Piece, "h1"), |i| {
            i.pricing.price = None;
            i.pricing.style = Some("Ridge beanie".to_owned());
            i.pricing.weight = Some(weight("6 ONZ"));
        });
        shop.ok(add(vec![hat])).await;
        let beanie =
            shop.ledger.styles().await.unwrap().into_iter().find(|s| s.name == "Ridge beanie").unwrap();
        let rule = PriceRule {
            rate: WeightRate::parse("8", "ONZ").unwrap(),
            ending: PriceEnding::Whole,
            minimum: None,
        };
        let mark = shop.ledger.preview_reprice(beanie.id, &rule).await.unwrap().mark;
        // As an edit does that keeps the price: by hand there, but the price is the same.
        let mut other = Other::changes(
            &shop,
            "UPDATE item SET style_id = (SELECT id FROM style WHERE name = 'Moor cowl'), revision = revision + 1 \
             WHERE sku = 'h1'",
        )
        .await;
        let command =
            RepriceStyle { style: beanie.id, revision: beanie.revision, rule, mark, who: "maker".to_owned() };
        let repriced = other.keeps_waiting(&shop, command).await;
        other.commits().await;
        let refused = repriced.await.unwrap().unwrap_err();
        invalid("mark", ShelfReason::PreviewOutdated).check(&refused, shop.engine);
        assert_eq!(shop.ledger.item(&code("h1")).await.unwrap().price, usd(4500));
    });
}

#[test]
fn cash_goes_to_the_drawer_that_was_opened_meanwhile() {
    on_postgres(|shop| async move {
        shop.ok(add(vec![piece("p1", 4500)])).await;
        let mut other = Other::changes(&shop, "UPDATE shop_state SET receipt = receipt WHERE id = 1").await;
        let sold = other.keeps_waiting(&shop, sale_of("p1", 4500)).await;
        let open = OpenDrawer { channel: Channel::store(), counts: Vec::new(), who: "Ada".to_owned() };
        let turn = shop.ok(open).await;
        other.commits().await;
        sold.await.unwrap().unwrap();
        assert_eq!(shop.ledger.turn(turn).await.unwrap().expected, usd(4500));
        audit::clean(&shop).await;
    });
}

#[test]
fn nobody_is_erased_who_got_a_debt_meanwhile() {
    on_postgres(|shop| async move {
        shop.ok(add(vec![piece("p1", 1000)])).await;
        let contact = Contact { name: "Ada Moss".to_owned(), ..Contact::default() };
        let id = shop.ok(AddCustomer { contact, who: "Maud".to_owned() }).await;
        let lock = format!("UPDATE person_data SET made_ms = made_ms WHERE id = {id}");
        let mut other = Other::changes(&shop, &lock).await;
        let erase = other.keeps_waiting(&shop, EraseCustomer { customer: id, who: "Maud".to_owned() }).await;
        let item = shop.ledger.item(&code("p1")).await.unwrap().id;
        let hold = format!(
            "INSERT INTO hold (id, group_id, item_id, stock_units, purpose, for_whom, state, made_ms, customer_id) \
             VALUES (1, 1, {item}, 1, 'customer', '', 'open', 1, {id}); UPDATE item SET held = 1 WHERE id = {item}"
        );
        other.run(&hold).await;
        other.commits().await;
        let refused = erase.await.unwrap().unwrap_err();
        assert_eq!(refused, Rejection::invalid("customer", CustomersReason::HasHolds));
        audit::clean(&shop).await;
    });
}

#[test]
fn nothing_is_held_for_somebody_who_was_erased_meanwhile() {
    on_postgres(|shop| async move {
        shop.ok(add(vec![piece("p1", 1000)])).await;
        let contact = Contact { name: "Ada Moss".to_owned(), ..Contact::default() };
        let id = shop.ok(AddCustomer { contact, who: "Maud".to_owned() }).await;
        let blank = format!(
            "UPDATE person_data SET name = '', folded = '', email_key = '', erased_ms = 1 WHERE id = {id}"
        );
        let mut other = Other::changes(&shop, &blank).await;
        let new = NewHold { customer: Some(id), ..hold(&[("p1", "1")], Purpose::Customer, None) };
        let held = other.keeps_waiting(&shop, new).await;
        other.commits().await;
        let refused = held.await.unwrap().unwrap_err();
        assert_eq!(refused, Rejection::invalid("customer", CustomersReason::NotThere));
        audit::clean(&shop).await;
    });
}
