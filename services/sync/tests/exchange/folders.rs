//! Watched folders.

use crate::shop::{ITEMS, TestShop};
use std::fs;
use sync::Folders;

const ORDER: &str = "orderNumber,orderDate,sku,orderQuantity,price\n1,2026-06-14,B1,1,48.00\n";

struct Watched {
    shop: TestShop,
    folders: Folders,
}

impl Watched {
    async fn new() -> Self {
        let shop = TestShop::open().await;
        let place = |name: &str| Some(shop.path(name));
        let folders = Folders::new(shop.ledger.clone(), place("in"), place("out")).unwrap();
        Self { shop, folders }
    }

    fn put(&self, name: &str, text: &str) {
        fs::write(self.shop.path("in").join(name), text).unwrap();
    }

    /// Looks twice; returns “name → where: words” for each file that was processed.
    async fn look(&mut self) -> Vec<String> {
        let mut told = Vec::new();
        for _ in 0..2 {
            for one in self.folders.look().await.unwrap() {
                assert_eq!(one.waits, None);
                told.push(format!("{} → {}: {}", one.name, one.moved, one.words));
            }
        }
        told
    }

    fn names(&self, folder: &str) -> Vec<String> {
        let entries = fs::read_dir(self.shop.path("in").join(folder)).unwrap();
        let mut names: Vec<String> = entries.map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
        names.sort();
        names
    }
}

#[tokio::test]
async fn a_file_is_taken_once_and_moved_with_its_report() {
    let mut watched = Watched::new().await;
    watched.put("orders/o.csv", ORDER);
    watched.put("items/i.csv", ITEMS);
    let told = watched.look().await;
    // The items first, though their name sorts later.
    let expected = [
        "i.csv → done/i-20260615T120000Z.csv: 6 added, 0 updated, 0 unchanged, 0 refused",
        "o.csv → done/o-20260615T120000Z.csv: 1 orders taken, 0 known, 0 changed, 0 refused; 1 lines filled, 0 short; 0 refunds",
    ];
    assert_eq!(told, expected);
    let names = [
        "i-20260615T120000Z.csv",
        "i-20260615T120000Z.csv.report.json",
        "o-20260615T120000Z.csv",
        "o-20260615T120000Z.csv.report.json",
    ];
    assert_eq!(watched.names("done"), names);
    let report: serde_json::Value =
        serde_json::from_str(&watched.shop.read("in/done/o-20260615T120000Z.csv.report.json")).unwrap();
    assert_eq!(
        (&report["file"], &report["outcome"], &report["orders"]["filled"]),
        (&"o.csv".into(), &"done".into(), &1.into())
    );
    assert_eq!(watched.look().await, [""; 0]);

    // Left behind by a crash before it was moved: importing it again changes nothing.
    watched.shop.clock.advance_millis(1000);
    watched.put("orders/o.csv", ORDER);
    let told = watched.look().await;
    assert!(told[0].contains("0 orders taken, 1 known"), "{told:?}");
    assert_eq!(watched.shop.stock("B1").await, "0 0");
}

#[tokio::test]
async fn a_file_that_still_grows_is_left_alone() {
    let mut watched = Watched::new().await;
    watched.put("items/i.csv", "name,sku,offers.price\nHat,H1,");
    assert_eq!(watched.folders.look().await.unwrap(), []);
    watched.put("items/i.csv", "name,sku,offers.price\nHat,H1,40\nCap,H2");
    assert_eq!(watched.folders.look().await.unwrap(), []);
    watched.put("items/i.csv", "name,sku,offers.price\nHat,H1,40\nCap,H2,41\n");
    assert_eq!(watched.folders.look().await.unwrap(), []);
    let told = watched.look().await;
    assert!(told[0].contains("2 added"), "{told:?}");
    // Its writer stopped within a row, or before the first, and goes on half a minute later.
    for part in ["name,sku,offers.price\nMitts,M1", ""] {
        watched.put("items/slow.csv", part);
        for _ in 0..15 {
            assert_eq!(watched.folders.look().await.unwrap(), [], "{part}");
        }
    }
    watched.put("items/slow.csv", "name,sku,offers.price\nMitts,M1,30");
    for _ in 0..15 {
        assert_eq!(watched.folders.look().await.unwrap(), []);
    }
    let told = watched.look().await;
    assert!(told[0].contains("1 added"), "{told:?}");
    for name in ["items/.hidden.csv", "items/x.csv.part", "items/y.tmp"] {
        watched.put(name, "name\n");
    }
    assert_eq!(watched.look().await, [""; 0]);
}

#[tokio::test]
async fn what_is_refused_goes_to_rejected() {
    let mut watched = Watched::new().await;
    let check = async |watched: &mut Watched, name: &str, text: &str, expected: &str| {
        watched.shop.clock.advance_millis(1000);
        watched.put(name, text);
        let told = watched.look().await;
        assert!(told.len() == 1 && told[0].contains(expected), "{told:?}");
        assert!(told[0].contains("→ rejected/"), "{told:?}");
    };
    check(
        &mut watched,
        "items/a.csv",
        "name,offers.price\nHat,40\nCap,-1\n",
        "1 added, 0 updated, 0 unchanged, 1 refused",
    )
    .await;
    check(&mut watched, "items/b.csv", "name,Wash\n", "columns that items do not have").await;
    check(&mut watched, "c.csv", "name,offers.price\nHat,40\n", "nothing says what this file holds").await;
    let rejected = watched.names("rejected");
    assert!(rejected.contains(&"a-20260615T120001Z.rejects.csv".to_owned()), "{rejected:?}");
    assert_eq!(rejected.len(), 7, "{rejected:?}");
    assert_eq!(watched.shop.count_items().await, 1);
}

#[tokio::test]
async fn a_layout_beside_a_file_says_what_it_is() {
    let mut watched = Watched::new().await;
    let layout = "feed = \"items\"\n[field.name]\nfrom = \"Titel\"\n[field.\"offers.price\"]\nfrom = \"Preis\"\ndecimal = \",\"\n";
    watched.put("stand.csv.toml", layout);
    watched.put("stand.csv", "Titel;Preis\nMütze;40,50\n");
    watched.put("items/layout.toml", layout);
    watched.put("items/more.csv", "Titel;Preis\nSchal;60,00\n");
    let told = watched.look().await;
    assert!(
        told.len() == 2 && told.iter().all(|t| t.contains("→ done/") && t.contains("1 added")),
        "{told:?}"
    );
    assert!(watched.names("done").contains(&"stand-20260615T120000Z.csv.toml".to_owned()));
    assert!(watched.names("items").contains(&"layout.toml".to_owned()), "the folder's layout stays");
    watched.put("orders/wrong.csv", "Titel;Preis\nSchal;60,00\n");
    watched.put("orders/wrong.csv.toml", layout);
    let told = watched.look().await;
    assert!(told[0].contains("the layout is for items, and this is about orders"), "{told:?}");
}

#[tokio::test]
async fn changes_appear_in_the_out_folder() {
    let mut watched = Watched::new().await;
    assert_eq!(watched.folders.tell().await.unwrap(), None);
    watched.put("items/i.csv", ITEMS);
    watched.look().await;
    assert_eq!(watched.folders.tell().await.unwrap().unwrap().listings, 6);
    assert_eq!(watched.folders.tell().await.unwrap(), None);
    watched.put("orders/o.csv", ORDER);
    watched.look().await;
    let report = watched.folders.tell().await.unwrap().unwrap();
    assert_eq!(TestShop::lines(&report), ["B1 SoldOut 0"]);
}

#[tokio::test]
async fn serving_ends_when_told() {
    let watched = Watched::new().await;
    let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
    let serving = tokio::spawn(sync::serve(watched.folders, async {
        let _ = stopped.await;
    }));
    stop.send(()).unwrap();
    serving.await.unwrap();
}

#[tokio::test]
async fn files_of_one_name_from_two_folders_do_not_meet() {
    let mut watched = Watched::new().await;
    watched.put("items/june.csv", ITEMS);
    watched.put("orders/june.csv", ORDER);
    watched.look().await;
    let names = [
        "june-20260615T120000Z-2.csv",
        "june-20260615T120000Z-2.csv.report.json",
        "june-20260615T120000Z.csv",
        "june-20260615T120000Z.csv.report.json",
    ];
    assert_eq!(watched.names("done"), names);
    let kept = |name: &str| fs::read_to_string(watched.shop.path("in/done").join(name)).unwrap();
    assert_eq!((kept(names[2]), kept(names[0])), (ITEMS.to_owned(), ORDER.to_owned()));
}
