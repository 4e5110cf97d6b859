//! A storm from beginning to verdict.

use crate::broken::Broken;
use crate::ground::Template;
use crate::plan::Plan;
use crate::shops::ShopKind;
use crate::world::World;
use crate::{Doing, StormError, weather};
use domain::channel::Channel;
use domain::money::{Currency, Money};
use domain::order::{Customer, IncomingLine, IncomingOrder, LinePrice, OrderNumber, OrderStatus};
use domain::quantity::Asked;
use ledger::orders::TakeOrders;
use testkit::Engine;

const MINUTE_MS: i64 = 60_000;

#[derive(Clone, Copy, Debug)]
pub struct Storm {
    /// Everything is drawn from it.
    pub seed: u64,
    pub engine: Engine,
    pub shop: ShopKind,
    pub broken: Broken,
}

/// How much happened in a storm.
#[derive(Clone, Copy, Debug, Default)]
pub struct Report {
    /// Sales at the counter.
    pub sold: u64,
    /// Orders at the shop.
    pub bought: u64,
    /// Lines of orders that were short, or about which a person has decided.
    pub short: u64,
    /// Requests that met a fault.
    pub faults: u64,
    /// Messages that the shop accepted.
    pub taken: u64,
    /// Messages refused as stale.
    pub stale: u64,
    /// Webhooks that were answered with success.
    pub hooks: u64,
    pub deaths: u64,
    pub jumps: u64,
    /// How often a shop was restored from its backup.
    pub put_back: u64,
    /// Messages that a person saw to because the shop refused them.
    pub parked: u64,
}

impl Storm {
    /// Runs it, waits for the calm, and reports what is wrong then.
    ///
    /// # Errors
    /// With everything that does not hold, or with the step that failed.
    pub async fn run(self, template: &Template) -> Result<Report, StormError> {
        let (plan, dice) = Plan::draw(self.seed, self.engine, self.broken, self.shop);
        let drawn = format!("{plan:?}");
        let mut world = World::begin(plan, dice, template).await?;
        let ended = weather_it(&mut world).await;
        let (happened, counts) = (world.happened, world.shop.counts());
        world.end().await;
        let mut wrong = ended?;
        if !wrong.is_empty() {
            wrong.push(format!("it was {drawn}"));
            return Err(StormError::Wrong(wrong));
        }
        Ok(Report {
            sold: happened.sold,
            bought: happened.bought,
            short: happened.short,
            faults: counts.faults,
            taken: counts.taken,
            stale: counts.stale,
            hooks: counts.hooks,
            deaths: happened.deaths,
            jumps: happened.jumps,
            put_back: happened.put_back,
            parked: happened.parked,
        })
    }
}

async fn weather_it(world: &mut World) -> Result<Vec<String>, StormError> {
    for _ in 0..world.plan.pieces {
        world.finish().await?;
    }
    for _ in 0..world.plan.steps {
        step(world).await?;
    }
    world.drain().await?;
    spoil(world).await?;
    world.verdict().await
}

async fn step(world: &mut World) -> Result<(), StormError> {
    match world.dice.u8(0..27) {
        24 if world.plan.clocks_jump => world.clocks_jump().await,
        // A backup and its restoration count as two.
        25 | 26 if world.plan.is_put_back => {
            world.put_back();
            Ok(())
        }
        0..=6 => world.house().await,
        7..=10 => {
            world.buyer();
            Ok(())
        }
        11..=15 => world.rounds().await.map(|_| ()),
        16 => world.round_that_dies().await,
        17 => {
            world.shop.send_hooks().await;
            Ok(())
        }
        18 => {
            let faults = weather::draw(&world.plan, &mut world.dice);
            world.shop.set_faults(faults);
            Ok(())
        }
        19 => {
            world.shop.set_faults(weather::calm(&world.plan));
            Ok(())
        }
        20..=22 => {
            let millis = world.dice.i64(1..2 * MINUTE_MS);
            world.advance(millis).await;
            Ok(())
        }
        _ => {
            let millis = world.dice.i64(10 * MINUTE_MS..8 * 60 * MINUTE_MS);
            world.advance(millis).await;
            Ok(())
        }
    }
}

/// Spoils the books on purpose: the first order is also booked under another number, or is canceled only there.
async fn spoil(world: &mut World) -> Result<(), StormError> {
    let Some(order) = world.shop.orders().into_iter().next() else { return Ok(()) };
    let (number, status) = match world.plan.broken {
        Broken::OrdersTwice => (format!("7{}", order.number), OrderStatus::OrderProcessing),
        Broken::OrdersLost => (order.number.clone(), OrderStatus::OrderCancelled),
        _ => return Ok(()),
    };
    let zero = Money::zero(Currency::USD);
    let mut lines = Vec::new();
    for line in order.lines.iter().filter(|line| line.back.is_none()) {
        lines.push(IncomingLine {
            code: Some(domain::codes::Code::parse(&line.code).doing("read a code")?),
            name: String::new(),
            quantity: Asked { value: line.count, unit: None },
            price: LinePrice::Each(
                Money::parse(&line.each.to_string(), Currency::USD).doing("read a price")?,
            ),
            discount: zero,
            tax: zero,
        });
    }
    let now = world.ledger().now();
    let again = IncomingOrder {
        channel: Channel::online(),
        number: OrderNumber::parse(&number).doing("number an order")?,
        ordered: now,
        modified: Some(now.plus_millis(12 * 60 * MINUTE_MS)),
        status,
        lines,
        refunds: Vec::new(),
        discount: zero,
        shipping: zero,
        fee: zero,
        customer: Customer::default(),
    };
    world.try_to(&TakeOrders { orders: vec![again], past: false, who: "storm".to_owned() }).await.map(|_| ())
}
