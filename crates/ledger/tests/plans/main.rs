//! How each engine finds the rows that bookings of money and stock need. The statements are those that the
//! program itself sends during a day of the shop: a new one is checked without being named here.

#[path = "../laws/make.rs"]
#[allow(dead_code, reason = "words for all tests; this one needs some of them")]
mod make;

mod day;
mod explain;
mod record;

use testkit::shops;

/// No statement reads a growing table from end to end, and none is estimated to cost more than reading some
/// thousand rows:
/// with 300 sales or 300,000, a sale, a refund or a void does the same work.
#[tokio::test]
async fn money_and_stock_are_reached_by_an_index() {
    let statements = record::start();
    for shop in shops().await {
        day::fill(&shop).await;
        explain::notice(&shop).await;
        statements.begin();
        let parts = day::run(&shop).await;
        let sent = statements.end();
        assert!(sent.len() > 60, "{}: {} statements were heard", shop.engine, sent.len());
        let faults = explain::faults(&shop, &sent).await;
        assert!(faults.is_empty(), "on {}:\n{}", shop.engine, faults.join("\n"));
        eprintln!("{}: {} statements; {parts}", shop.engine, sent.len());
        shop.end().await;
    }
}
