//! Single listings as JSON, and pages of JSON from the other shop.

use domain::codes::Code;
use domain::day::Zone;
use domain::item::ItemText;
use domain::money::{Currency, Money};
use domain::order::Refunded;
use domain::quantity::{Measure, Quantity};
use domain::stock::Availability;
use domain::weight::{Weight, WeightUnit};
use feeds::connection::ConnectionFile;
use feeds::{
    Feed, Format, JsonOutError, Layout, Listing, ListingCsv, ListingMessages, MessageOf, PageReading,
    json_at, json_batch, kept_text, listings_of_page, orders_again, orders_of_page,
};
use serde_json::{Value, json};

fn listing() -> Listing {
    Listing {
        text: ItemText {
            name: "Ridge \"beanie\"".to_owned(),
            color: "moss".to_owned(),
            size: "M".to_owned(),
            material: "wool".to_owned(),
            images: vec!["https://farm.example/a.jpg".to_owned(), "https://farm.example/b.jpg".to_owned()],
            ..ItemText::default()
        },
        sku: Code::parse("B1").unwrap(),
        gtin: None,
        weight: Some(Weight::parse("6.350", WeightUnit::Ounce).unwrap()),
        price: Money::parse("48.00", Currency::USD).unwrap(),
        availability: Availability::InStock,
        inventory: Some(Quantity::from_stock_units(1, Measure::Units).unwrap()),
        revision: 7,
    }
}

fn layout(fields: &str) -> Layout {
    Layout::parse(&format!("feed = \"listings\"\nformat = \"json\"\n{fields}")).unwrap()
}

fn told(layout: Option<&Layout>, of: MessageOf) -> Value {
    let messages = ListingMessages::new(layout, of).unwrap();
    serde_json::from_slice(&messages.write(&listing(), "")).unwrap()
}

#[test]
fn fields_stand_where_the_layout_puts_them() {
    let check = |fields: &str, expected: Value| {
        assert_eq!(told(Some(&layout(fields)), MessageOf::Listing), expected, "{fields}");
    };
    check("[field.sku]\nfrom = \"/code\"\n", json!({"code": "B1"}));
    check(
        "[field.sku]\nfrom = \"/goods/code\"\n[field.\"offers.price\"]\nfrom = \"/goods/money/amount\"\n\
         [field.\"offers.priceCurrency\"]\nfrom = \"/goods/money/currency\"\n",
        json!({"goods": {"code": "B1", "money": {"amount": "48.00", "currency": "USD"}}}),
    );
    // A list, a name with a slash (RFC 6901), a constant; empty values are left out.
    check(
        "[field.sku]\nfrom = \"/kinds/0/code\"\n[field.size]\nfrom = \"/kinds/0/a~1b\"\n\
         [field.name]\nfrom = \"/kinds/1\"\n[field.description]\nfrom = \"/about/text\"\n\
         [field.material]\nfrom = \"/from\"\nvalue = \"our farm\"\n",
        json!({"kinds": [{"code": "B1", "a/b": "M"}, "Ridge \"beanie\""], "from": "our farm"}),
    );
    check(
        "[field.sku]\nfrom = \"/code\"\n[field.image]\nfrom = \"/pictures\"\n",
        json!({"code": "B1", "pictures": ["https://farm.example/a.jpg", "https://farm.example/b.jpg"]}),
    );
    // The shop's own words, and numbers exactly as they were written.
    check(
        "[field.sku]\nfrom = \"/code\"\n[field.\"offers.availability\"]\nfrom = \"/state\"\n\
         words = { here = \"InStock\", gone = \"SoldOut\" }\n",
        json!({"code": "B1", "state": "here"}),
    );
    let numbers = layout(
        "[field.sku]\nfrom = \"/code\"\n[field.\"offers.price\"]\nfrom = \"/price\"\nas = \"number\"\n\
         [field.\"weight.value\"]\nfrom = \"/weight\"\ndecimal = \",\"\n[field.revision]\nfrom = \"/revision\"\n",
    );
    let text = ListingMessages::new(Some(&numbers), MessageOf::Listing).unwrap().write(&listing(), "");
    let expected = r#"{"code":"B1","price":48.00,"revision":7,"weight":"6,350"}"#;
    assert_eq!(String::from_utf8(text).unwrap(), expected);
}

#[test]
fn words_of_their_own_go_into_csv_too() {
    let text = "feed = \"listings\"\n[field.sku]\nfrom = \"Code\"\n[field.\"offers.availability\"]\nfrom = \"State\"\n\
        words = { here = \"InStock\" }\n";
    let mut csv = ListingCsv::new(Vec::new(), &Layout::parse(text).unwrap()).unwrap();
    csv.write(&listing()).unwrap();
    let gone = Listing { availability: Availability::SoldOut, ..listing() };
    csv.write(&gone).unwrap();
    assert_eq!(
        String::from_utf8(csv.finish().unwrap().0).unwrap(),
        "Code,State\r\nB1,here\r\nB1,SoldOut\r\n"
    );
}

#[test]
fn a_message_about_stock_says_nothing_else() {
    let own = told(None, MessageOf::Stock);
    assert_eq!(own["sku"], "B1");
    assert_eq!(own["offers"]["availability"], "https://schema.org/InStock");
    assert_eq!(own["offers"]["inventoryLevel"]["value"], "1");
    assert_eq!(own["additionalProperty"]["value"], 7);
    assert!(own.get("name").is_none() && own["offers"].get("price").is_none(), "{own}");
    let by_layout = layout(
        "[field.sku]\nfrom = \"/code\"\n[field.name]\nfrom = \"/title\"\n[field.inventoryLevel]\nfrom = \"/left\"\nas = \"number\"\n\
         [field.color]\nfrom = \"/shop\"\nvalue = \"farm\"\n",
    );
    assert_eq!(told(Some(&by_layout), MessageOf::Stock), json!({"code": "B1", "left": 1, "shop": "farm"}));
    let hash = |change: fn(&mut Listing), of| {
        let mut item = listing();
        change(&mut item);
        ListingMessages::new(None, of).unwrap().hash(&item)
    };
    let same = |_: &mut Listing| {};
    assert_eq!(hash(same, MessageOf::Stock), hash(|i| i.text.name = "New".to_owned(), MessageOf::Stock));
    assert_ne!(
        hash(same, MessageOf::Stock),
        hash(|i| i.availability = Availability::SoldOut, MessageOf::Stock)
    );
    assert_ne!(hash(same, MessageOf::Listing), hash(|i| i.text.name = "New".to_owned(), MessageOf::Listing));
    assert_eq!(hash(same, MessageOf::Listing), hash(|i| i.revision = 8, MessageOf::Listing));
}

#[test]
fn our_own_message_reads_back_as_it_was() {
    let text = ListingMessages::new(None, MessageOf::Listing).unwrap().write(&listing(), "");
    let layout = Layout::built_in(Feed::Listings, Format::Json).at_root();
    let zone = Zone::from_name("UTC").unwrap();
    let rows = listings_of_page(&text, PageReading { layout: &layout, currency: Currency::USD, zone: &zone })
        .unwrap();
    let row = &rows[0].as_ref().unwrap().value;
    assert_eq!((row.sku.as_str(), row.revision, row.price), ("B1", Some(7), Some(listing().price)));
    assert!(row.is_offered());
}

#[test]
fn layouts_that_cannot_be_written_are_refused() {
    let check = |fields: &str, expected: &str| {
        let refused = ListingMessages::new(Some(&layout(fields)), MessageOf::Listing).unwrap_err();
        assert!(refused.to_string().contains(expected), "{fields}: {refused}");
    };
    check("[field.sku]\nfrom = \"/a\"\n[field.name]\nfrom = \"/a\"\n", "another field is there");
    check("[field.sku]\nfrom = \"/a\"\n[field.name]\nfrom = \"/a/b\"\n", "another field is there");
    check("[field.sku]\nfrom = \"\"\n", "another field is there");
    check("[field.sku]\nfrom = \"/a/1\"\n", "without gaps");
    check("[field.sku]\nfrom = \"/a/0\"\n[field.name]\nfrom = \"/a/2\"\n", "without gaps");
    check("[field.sku]\nfrom = \"/a/0\"\n[field.name]\nfrom = \"/a/b\"\n", "without gaps");
    check(
        "[field.sku]\nfrom = \"/a\"\n[field.name]\nfrom = \"/b\"\nvalue = \"{row}\"\n",
        "no file and no rows",
    );
    check(
        "[field.sku]\nfrom = \"/a\"\n[field.\"offers.availability\"]\nwords = { a = \"SoldOut\", b = \"SoldOut\" }\n",
        "two of them mean SoldOut",
    );
    let csv = Layout::parse("feed = \"listings\"\n[field.sku]\nfrom = \"Code\"\n").unwrap();
    assert_eq!(ListingMessages::new(Some(&csv), MessageOf::Listing).unwrap_err(), JsonOutError::OtherLayout);
}

#[test]
fn many_messages_go_as_one_list() {
    let file = |each: &str| {
        let text = format!(
            "channel = \"online\"\nbase = \"https://shop.example\"\n[out]\nto = \"/{{sku}}\"\n\
             batch = {{ to = \"/all\", each = \"{each}\" }}\n"
        );
        ConnectionFile::parse(&text).unwrap().out.batch.unwrap().each
    };
    let documents = [b"{\"a\":1}".to_vec(), b"{\"a\":2}".to_vec()];
    let check = |each: &str, expected: &str| {
        assert_eq!(String::from_utf8(json_batch(&file(each), &documents)).unwrap(), expected, "{each}");
    };
    check("", r#"[{"a":1},{"a":2}]"#);
    check("/listings", r#"{"listings":[{"a":1},{"a":2}]}"#);
    check("/put/a~1b", r#"{"put":{"a/b":[{"a":1},{"a":2}]}}"#);
}

const ORDERS: &str = "feed = \"orders\"\nformat = \"json\"\neach = \"/bought\"\nlines = \"/lines\"\n\
    [field.orderNumber]\nfrom = \"/ref\"\n[field.orderDate]\nfrom = \"/placed\"\n\
    [field.orderStatus]\nfrom = \"/state\"\nwords = { paid = \"OrderProcessing\", off = \"OrderCancelled\" }\n\
    [field.sku]\nfrom = \"/code\"\n[field.orderQuantity]\nfrom = \"/count\"\n[field.price]\nfrom = \"/each\"\n";

#[test]
fn a_page_of_orders_is_read_whole_or_not_at_all() {
    let layout = Layout::parse(ORDERS).unwrap();
    let zone = Zone::from_name("UTC").unwrap();
    let page = PageReading { layout: &layout, currency: Currency::USD, zone: &zone };
    let good = "{\"ref\": \"1\",\n \"placed\": \"2026-05-02T10:00:00Z\", \"state\": \"off\",\n\
        \"lines\": [{\"code\": \"B1\", \"count\": \"1\", \"each\": \"48.00\"}]}";
    let bad = good.replace("\"1\",", "\"2\",").replace("48.00", "much");
    let text = format!("{{\"bought\": [{good}, {bad}], \"next\": \"n-7\", \"none\": null, \"more\": true}}");
    let read = orders_of_page(text.as_bytes(), page).unwrap();
    let order = read[0].as_ref().unwrap();
    assert_eq!((order.value.number.as_str(), order.value.status.code()), ("1", "OrderCancelled"));
    assert!(read[1].as_ref().unwrap_err().to_string().contains("much"));
    // Stored, and read again.
    let kept = kept_text(&order.rows);
    assert_eq!(kept.lines().count(), 1, "{kept}");
    let again = orders_again(&kept, page).unwrap();
    assert_eq!(again[0].as_ref().unwrap().value, order.value);
    for cut in [1, 20, text.len() / 2, text.len() - 1] {
        let broken = orders_of_page(&text.as_bytes()[..cut], page);
        // What follows the list is not checked.
        assert!(broken.is_err() || cut == text.len() - 1, "{cut}");
    }
    for wrong in ["", "<html></html>", "{}", "[]", "{\"bought\": 3}"] {
        assert!(orders_of_page(wrong.as_bytes(), page).is_err(), "{wrong}");
    }
}

#[test]
fn single_values_are_found_by_their_place() {
    let text = "channel = \"online\"\nbase = \"https://shop.example\"\n[out]\nto = \"/x/{sku}\"\nnew = { to = \"/x\", id = \"PLACE\" }\n";
    let check = |body: &str, place: &str, expected: Option<&str>| {
        let file = ConnectionFile::parse(&text.replace("PLACE", place)).unwrap();
        let found = json_at(body.as_bytes(), file.out.new.unwrap().id.as_ref().unwrap());
        assert_eq!(found.as_deref(), expected, "{body} {place}");
    };
    check(r#"{"ref": "a-1"}"#, "/ref", Some("a-1"));
    check(r#"{"goods": [{"id": 17}]}"#, "/goods/0/id", Some("17"));
    check(r#"{"id": 12345678901234567890123}"#, "/id", Some("12345678901234567890123"));
    check(r#""a-1""#, "", Some("a-1"));
    check(r#"{"ref": null}"#, "/ref", None);
    check(r#"{"ref": ""}"#, "/ref", None);
    check(r#"{"ref": {"a": 1}}"#, "/ref", None);
    check(r#"{"ref": "a-1""#, "/ref", None);
    check("", "/ref", None);
    check("<html>", "/ref", None);
}

fn by_weight() -> Listing {
    Listing {
        inventory: Some(Quantity::from_stock_units(12_500, Measure::Thousandths(WeightUnit::Ounce)).unwrap()),
        price: Money::parse("3.00", Currency::USD).unwrap(),
        ..listing()
    }
}

#[test]
fn numbers_are_told_in_the_units_that_the_other_shop_counts_in() {
    let check = |item: &Listing, field: &str, expected: &str| {
        let text = format!("[field.sku]\nfrom = \"/code\"\n{field}");
        let messages = ListingMessages::new(Some(&layout(&text)), MessageOf::Listing).unwrap();
        let told = String::from_utf8(messages.write(item, "")).unwrap();
        let of_all = told.strip_prefix("{\"code\":\"B1\",").and_then(|t| t.strip_suffix('}'));
        assert_eq!(of_all.unwrap_or(&told), expected, "{field}");
    };
    let price = |keys: &str| format!("[field.\"offers.price\"]\nfrom = \"/price\"\nas = \"number\"\n{keys}");
    check(&listing(), &price("scale = \"minor\"\n"), "\"price\":4800");
    check(&listing(), &price("scale = 4\n"), "\"price\":480000");
    check(&listing(), &price("scale = 0\n"), "\"price\":48");
    let yen =
        Listing { price: Money::parse("4200", Currency::from_code("JPY").unwrap()).unwrap(), ..listing() };
    check(&yen, &price("scale = \"minor\"\n"), "\"price\":4200");
    // A pound is 16 ounces; an ounce is 28.349523125 g (NIST Handbook 44, appendix C): 3.00 / 28.349523125.
    check(&by_weight(), &price("unit = \"LBR\"\n"), "\"price\":48");
    check(&by_weight(), &price("unit = \"GRM\"\n"), "\"price\":0.105822");
    check(&by_weight(), &price("unit = \"GRM\"\ndecimals = 2\n"), "\"price\":0.11");
    check(&by_weight(), &price("unit = \"KGM\"\nscale = \"minor\"\n"), "\"price\":10582");
    // Goods that are counted have their price, whatever unit is named for others.
    check(&listing(), &price("unit = \"GRM\"\n"), "\"price\":48");
    let left = |keys: &str| format!("[field.inventoryLevel]\nfrom = \"/left\"\nas = \"number\"\n{keys}");
    check(&by_weight(), &left(""), "\"left\":12.5");
    check(&by_weight(), &left("unit = \"GRM\"\n"), "\"left\":354");
    check(&by_weight(), &left("unit = \"GRM\"\ndecimals = 1\n"), "\"left\":354.3");
    check(&listing(), &left("unit = \"GRM\"\n"), "\"left\":1");
    let weight =
        |keys: &str| format!("[field.\"weight.value\"]\nfrom = \"/weight\"\nas = \"number\"\n{keys}");
    check(&listing(), &weight(""), "\"weight\":6.350");
    check(&listing(), &weight("unit = \"GRM\"\ndecimals = 0\n"), "\"weight\":180");
    check(&listing(), &weight("unit = \"GRM\"\n"), "\"weight\":180.019");
    let named = format!("{}[field.\"weight.unitCode\"]\nfrom = \"/unit\"\n", weight("unit = \"KGM\"\n"));
    check(&listing(), &named, "\"unit\":\"KGM\",\"weight\":0.18");
}

#[test]
fn what_a_layout_adds_stands_in_the_message() {
    let check = |extra: &str, other_id: &str, expected: Value| {
        let text = format!("[field.sku]\nfrom = \"/code\"\n[extra]\n{extra}");
        let messages = ListingMessages::new(Some(&layout(&text)), MessageOf::Stock).unwrap();
        let told: Value = serde_json::from_slice(&messages.write(&listing(), other_id)).unwrap();
        assert_eq!(told, expected, "{extra}");
        assert_eq!(messages.needs_other_id(), extra.contains("{other_id}"), "{extra}");
    };
    check("\"/kind\" = \"piece\"\n", "", json!({"code": "B1", "kind": "piece"}));
    check("\"/item/id\" = \"{other_id}\"\n", "77", json!({"code": "B1", "item": {"id": "77"}}));
    check("\"/item/id\" = \"{other_id}\"\n", "", json!({"code": "B1"}));
    check("\"/key\" = \"farm-{sku}-{revision}\"\n", "", json!({"code": "B1", "key": "farm-B1-7"}));
    check("\"/on\" = true\n\"/tax\" = 3\n", "", json!({"code": "B1", "on": true, "tax": 3}));
    let refused = |extra: &str| {
        let text = format!(
            "feed = \"listings\"\nformat = \"json\"\n[field.sku]\nfrom = \"/code\"\n[extra]\n{extra}"
        );
        match Layout::parse(&text) {
            Err(error) => error.to_string(),
            Ok(layout) => ListingMessages::new(Some(&layout), MessageOf::Listing)
                .map_or_else(|e| e.to_string(), |_| String::new()),
        }
    };
    let check = |extra: &str, expected: &str| {
        assert!(refused(extra).contains(expected), "{extra}: {}", refused(extra));
    };
    check("kind = \"piece\"\n", "a JSON Pointer as its name");
    check("\"\" = \"piece\"\n", "a JSON Pointer as its name");
    check("\"/kind\" = 1.5\n", "floating point");
    check("\"/kind\" = [\"a\"]\n", "a text, a whole number, true or false");
    check("\"/kind\" = \"{id}\"\n", "only {sku}, {other_id} and {revision} in braces");
    check("\"/code/x\" = \"a\"\n", "a field is there or above it");
    check("\"/kinds/1\" = \"a\"\n", "counted from 0 without gaps");
    let orders = "feed = \"orders\"\nformat = \"json\"\n[extra]\n\"/a\" = \"b\"\n";
    assert!(Layout::parse(orders).unwrap_err().to_string().contains("extra is only for listings as JSON"));
}

#[test]
fn a_unit_or_scale_in_the_wrong_place_is_told() {
    let check = |field: &str, expected: &str| {
        let text = format!("feed = \"listings\"\nformat = \"json\"\n{field}");
        let told = Layout::parse(&text).map_or_else(|e| e.to_string(), |_| "read".to_owned());
        assert!(told.contains(expected), "{field}: {told}");
    };
    let price = "[field.\"offers.price\"]\nfrom = \"/p\"\n";
    check(&format!("{price}scale = \"cents\"\n"), "scale = \"cents\" is not known; use minor, or the number");
    check(&format!("{price}scale = 7\n"), "scale = \"7\" is not known");
    check(&format!("{price}scale = -1\n"), "scale = \"-1\" is not known");
    check(&format!("{price}scale = true\n"), "scale is \"minor\", or the number of decimals");
    check("[field.inventoryLevel]\nfrom = \"/l\"\nscale = 2\n", "cannot have scale: only money can");
    check(
        "[field.inventoryLevel]\nfrom = \"/l\"\nunit = \"gram\"\n",
        "unit = \"gram\" is not known; use ONZ",
    );
    check("[field.name]\nfrom = \"/n\"\nunit = \"GRM\"\n", "cannot have unit: only weight.value");
    check(
        "[field.inventoryLevel]\nfrom = \"/l\"\ndecimals = 2\n",
        "cannot have decimals: only a listing's number with a unit",
    );
    check(
        "[field.inventoryLevel]\nfrom = \"/l\"\nunit = \"GRM\"\ndecimals = 9\n",
        "decimals = \"9\" is not known; use 0 to 6",
    );
}

#[test]
fn orders_are_read_in_the_units_that_the_other_shop_counts_in() {
    let check = |keys: [&str; 3], values: [&str; 3], expected: &str| {
        let [date, count, each] = keys;
        let text = format!(
            "feed = \"orders\"\nformat = \"json\"\n[field.orderNumber]\nfrom = \"/n\"\n[field.sku]\nfrom = \"/s\"\n\
             [field.orderDate]\nfrom = \"/d\"\n{date}[field.orderQuantity]\nfrom = \"/q\"\n{count}\
             [field.price]\nfrom = \"/p\"\n{each}"
        );
        let layout = Layout::parse(&text).unwrap_or_else(|e| panic!("{e}"));
        let [date, count, each] = values;
        let page = format!("[{{\"n\": \"1\", \"s\": \"B1\", \"d\": {date}, \"q\": {count}, \"p\": {each}}}]");
        let zone = Zone::utc();
        let reading = PageReading { layout: &layout, currency: Currency::USD, zone: &zone };
        let order = orders_of_page(page.as_bytes(), reading).unwrap().remove(0);
        let told = order.map_or_else(
            |reject| reject.to_string(),
            |order| {
                let line = &order.value.lines[0];
                let unit = line.quantity.unit.map_or("-", WeightUnit::code);
                format!("{} {} {unit} {:?}", order.value.ordered, line.quantity.value, line.price)
            },
        );
        assert!(told.contains(expected), "{text} {page}: {told}");
    };
    let (day, scale, grams) = ("\"2026-06-15T12:00:00Z\"", "scale = \"minor\"\n", "unit = \"GRM\"\n");
    check(["", "", scale], [day, "1", "4200"], "Z 1 - Each(42.00 USD)");
    check(["", "", "scale = 4\n"], [day, "1", "420000.0"], "Each(42.00 USD)");
    check(["", "", scale], [day, "1", "42.50"], "price");
    check(["", "", scale], [day, "1", "\"much\""], "much");
    // 250 g at 0.1058 per gram are 26.45; a price per gram may have more decimals than the currency.
    check(["", grams, ""], [day, "250", "\"0.1058\""], "250 GRM Line(26.45 USD)");
    check(["", grams, "per = \"line\"\n"], [day, "250", "26.45"], "250 GRM Line(26.45 USD)");
    check(["", grams, ""], [day, "250", "-1"], "below 0");
    check(["", grams, ""], [day, "250", "0"], "0");
    check(["date = \"seconds\"\n", "", ""], ["1781524800", "1", "42"], "2026-06-15T12:00:00Z");
    check(["date = \"milliseconds\"\n", "", ""], ["1781524800250", "1", "42"], "2026-06-15T12:00:00Z");
    check(
        ["date = \"seconds\"\n", "", ""],
        ["\"soon\"", "1", "42"],
        "not a date as the layout's date = \"seconds\"",
    );
}

const WITH_REFUNDS: &str = "feed = \"orders\"\nformat = \"json\"\nlines = \"/lines\"\nrefunds = \"/money/back\"\n\
    [field.orderNumber]\nfrom = \"/n\"\n[field.orderDate]\nfrom = \"/d\"\n[field.sku]\nfrom = \"/s\"\n\
    [field.orderQuantity]\nfrom = \"/q\"\n[field.price]\nfrom = \"/p\"\n\
    [refund.refundNumber]\nfrom = \"/id\"\n[refund.sku]\nfrom = \"/goods/code\"\n[refund.orderQuantity]\nfrom = \"/goods/count\"\n\
    [refund.price]\nfrom = \"/amount\"\nscale = \"minor\"\n";

#[test]
fn refunds_in_a_list_of_their_own_are_read() {
    let layout = Layout::parse(WITH_REFUNDS).unwrap_or_else(|e| panic!("{e}"));
    let zone = Zone::utc();
    let reading = PageReading { layout: &layout, currency: Currency::USD, zone: &zone };
    let told = |back: &str| {
        let page = format!(
            "[{{\"n\": \"7\", \"d\": \"2026-06-15T12:00:00Z\", \"lines\": [{{\"s\": \"B1\", \"q\": 2, \"p\": 42}}]{back}}}]"
        );
        match orders_of_page(page.as_bytes(), reading).unwrap().remove(0) {
            Ok(order) => {
                let refund = |r: &domain::order::IncomingRefund| {
                    let what = match r.what {
                        Refunded::Goods(quantity) => quantity.value.to_string(),
                        Refunded::Money(money) => format!("money {money}"),
                    };
                    format!("{} {} {what}", r.number, r.code.as_ref().map_or("-", Code::as_str))
                };
                let refunds: Vec<String> = order.value.refunds.iter().map(refund).collect();
                format!("{} lines; {}", order.value.lines.len(), refunds.join(", "))
            }
            Err(reject) => format!("{} {}", reject.order().unwrap_or_default(), reject.cause()),
        }
    };
    let check = |back: &str, expected: &str| assert!(told(back).contains(expected), "{back}: {}", told(back));
    let goods = "\"goods\": {\"code\": \"B1\", \"count\"";
    check("", "1 lines; ");
    check(", \"money\": {\"back\": []}", "1 lines; ");
    check(
        &format!(
            ", \"money\": {{\"back\": [{{\"id\": \"R1\", {goods}: 1}}}}, {{\"id\": 2, {goods}: -1}}}}]}}"
        ),
        "1 lines; R1 B1 1, 2 B1 1",
    );
    let money = |refund: &str| format!(", \"money\": {{\"back\": [{refund}]}}");
    check(&money("{\"id\": \"R1\"}"), "7 this refund says neither which goods came back nor how much money");
    check(&money(&format!("{{\"id\": \"R1\", {goods}: 0}}}}")), "says neither");
    check(&money("{\"id\": \"R1\", \"amount\": 0}"), "says neither");
    // Money alone: for the whole order or for one line, with either sign.
    check(&money("{\"id\": \"R1\", \"amount\": 500}"), "1 lines; R1 - money 5.00");
    check(&money("{\"id\": \"R1\", \"amount\": -500, \"goods\": {\"code\": \"B1\"}}"), "R1 B1 money 5.00");
    check(&money(&format!("{{\"id\": \"R1\", \"amount\": 500, {goods}: 1}}}}")), "R1 B1 1");
    check(&money("{\"id\": \"R1\", \"amount\": \"much\"}"), "not an amount");
    // Without a number, each is identified by its record and amount, and equal ones are counted.
    let alike = told(&money("{\"amount\": 500}, {\"amount\": 500}, {\"amount\": 300}"));
    let numbers: Vec<&str> = alike.split("; ").nth(1).unwrap().split(", ").collect();
    let ends = |at: usize, end: &str| numbers[at].starts_with("row:") && numbers[at].ends_with(end);
    assert!(ends(0, ":5.00:1 - money 5.00") && ends(1, ":5.00:2 - money 5.00"), "{alike}");
    assert!(ends(2, ":3.00:1 - money 3.00"), "{alike}");
    check(", \"money\": {\"back\": [{\"id\": \"R1\", \"odd\": 1}]}", "/odd");
    check(", \"money\": {\"back\": 5}", "expected a sequence");
    let refused = |from: &str, to: &str| {
        assert!(WITH_REFUNDS.contains(from), "{from}");
        Layout::parse(&WITH_REFUNDS.replacen(from, to, 1))
            .map_or_else(|e| e.to_string(), |_| "read".to_owned())
    };
    let check = |from: &str, to: &str, expected: &str| {
        assert!(refused(from, to).contains(expected), "{to}: {}", refused(from, to));
    };
    check("refunds = \"/money/back\"\n", "", "has [refund.…] and no refunds");
    check("refunds = \"/money/back\"", "refunds = \"money\"", "refunds = \"money\" is not known");
    check("lines = \"/lines\"\n", "", "refunds is only for orders as JSON with lines");
    check(
        "[refund.sku]",
        "[refund.shipping]",
        "[field.shipping] is not a field of orders; its fields are refundNumber",
    );
    check("from = \"/id\"", "from = \"id\"", "a JSON Pointer");
    let without = "feed = \"orders\"\nformat = \"json\"\nlines = \"/l\"\nrefunds = \"/r\"\n";
    assert!(Layout::parse(without).unwrap_err().to_string().contains("has refunds and no [refund.…]"));
}
