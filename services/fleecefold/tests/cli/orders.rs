//! `orders`: those that need attention, and deciding about an unknown status.

use crate::shop::Place;

#[test]
fn an_order_with_an_unknown_status_is_marked_by_its_number() {
    for place in Place::all() {
        let place = place.stocked();
        place.run(&["orders", "list"]).expect(0).told("no orders yet");
        let head = "orderNumber,orderDate,sku,orderQuantity,price,orderStatus";
        let rows =
            "7,2026-06-14,B1,1,48.00,Settled\n8,2026-06-14,C1,1,60.00,Settled\n9,2026-06-14,KIT,1,35.00,\n";
        place.put("orders.csv", format!("{head}\n{rows}"));
        place
            .run(&["feed", "in", "orders.csv"])
            .expect(0)
            .told("1 lines filled, 2 on hold, 0 short")
            .told("2 orders with an unknown status")
            .told("`fleecefold orders list --attention`");
        let list = |arguments: &[&str]| {
            let ran = place.run(&[&["orders", "list", "--format", "csv"], arguments].concat()).expect(0);
            let rows = ran.out.lines().skip(1).map(|row| {
                let cells: Vec<&str> = row.split(',').collect();
                format!("{} {} {}", cells[0], cells[3], cells[4..].join(","))
            });
            rows.collect::<Vec<_>>()
        };
        let marks = "Unknown mark as paid or as canceled";
        let open = [format!("8 {marks},1 × C1"), format!("7 {marks},1 × B1")];
        assert_eq!(list(&["--attention"]), open);
        assert_eq!(list(&[]).len(), 3);
        place
            .run(&["orders", "paid", "7", "--reason", "seen on the account"])
            .expect(0)
            .told("order 7 is marked as paid");
        place.run(&["orders", "canceled", "8"]).expect(0).told("order 8 is marked as canceled");
        assert!(list(&["--attention"]).is_empty());
        assert_eq!(place.stock("Ridge beanie"), "0 0");
        assert_eq!(place.stock("Moor cowl"), "1 0");
        place.run(&["orders", "paid", "9"]).expect(1).told("order 9 has a known status");
        place.run(&["orders", "paid", "10"]).expect(1).told("there is no order 10 on online");
        place.run(&["orders", "paid"]).expect(2).told("<NUMBER>");
        place.run(&["orders", "list", "--attention"]).expect(0).told("no order needs attention");
        // The same file again does not change the decision.
        place.run(&["feed", "in", "orders.csv"]).expect(0).told("3 known");
        place.run(&["check"]).expect(0);
    }
}
