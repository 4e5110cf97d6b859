//! Who was erased after a backup was made stays erased when it is restored.

use crate::backup::later;
use crate::full_shop::{clean, run};
use domain::customer::{BasisPoints, Contact, Exemption, Terms};
use domain::day::Day;
use domain::ids::CustomerId;
use ledger::customers::{AddCustomer, CustomerState, SetTerms};
use ledger::keeping::{EraseCustomer, restore};
use ledger::{Access, Ledger};
use testkit::shops;

async fn added(ledger: &Ledger, name: &str) -> CustomerId {
    let contact = Contact { name: name.to_owned(), ..Contact::default() };
    run(ledger, AddCustomer { contact, who: "counter".to_owned() }).await
}

#[tokio::test]
async fn an_older_backup_brings_nobody_back() {
    for shop in shops().await {
        let ledger = &shop.ledger;
        let (ada, bea) = (added(ledger, "Ada Moss").await, added(ledger, "Bea Fern").await);
        let keep_until = Day::parse("2040-12-31").unwrap();
        let exemption = Some(Exemption { certificate: "NY-3".to_owned(), keep_until });
        let terms = Terms { wholesale: true, exemption, discount: BasisPoints::parse("5").ok() };
        run(ledger, SetTerms { customer: ada, revision: 1, terms, who: "owner".to_owned() }).await;
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("shop.backup");
        ledger.backup(&file, |_, _| ()).await.unwrap();
        let cy = added(ledger, "Cy Reed").await;
        for customer in [ada, cy] {
            run(ledger, EraseCustomer { customer, who: "owner".to_owned() }).await;
        }
        let erased = ledger.erased_ids().await.unwrap();
        assert_eq!(erased, [ada, cy], "{}", shop.engine);
        let url = format!("sqlite:{}", folder.path().join("new.db").display());
        let restored = restore(&file, &url, None, &erased, later(), |_, _| ()).await.unwrap();
        assert!(restored.check.is_clean(), "{:?}", restored.check);
        let again = Ledger::open(&url, Access::Write, later()).await.unwrap();
        assert_eq!(again.customer(bea).await.unwrap().contact.name, "Bea Fern");
        let back = again.customer(ada).await.unwrap();
        let kept =
            matches!(&back.state, CustomerState::Erased { kept_name: Some(name), .. } if name == "Ada Moss");
        assert!(kept && back.contact == Contact::default(), "{}: {back:?}", shop.engine);
        assert_eq!((back.terms.wholesale, back.terms.discount), (false, None));
        clean(&again).await;
        again.close().await;
        shop.end().await;
    }
}
