//! A client that listens on a broker and keeps what it heard.

use std::sync::{Arc, Mutex};
use std::thread;

use rumqttc::{Client, Event, Incoming, MqttOptions, QoS};

use super::{PATIENCE, unique, wait_until};

/// One message as it came.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Heard {
    pub topic: String,
    pub payload: String,
    pub retained: bool,
}

pub struct Ear {
    heard: Arc<Mutex<Vec<Heard>>>,
    client: Client,
}

impl Ear {
    /// Listens for `filter`; the broker has granted it when this returns.
    pub fn on(port: u16, filter: &str) -> Ear {
        let options = MqttOptions::new(unique("ear"), "127.0.0.1", port);
        let (client, mut connection) = Client::new(options, 16);
        client.subscribe(filter, QoS::AtLeastOnce).unwrap();
        let heard: Arc<Mutex<Vec<Heard>>> = Arc::default();
        let granted = Arc::new(Mutex::new(false));
        let (keeps, grants) = (Arc::clone(&heard), Arc::clone(&granted));
        thread::spawn(move || {
            for event in connection.iter() {
                match event {
                    Ok(Event::Incoming(Incoming::Publish(message))) => keeps.lock().unwrap().push(Heard {
                        topic: message.topic,
                        payload: String::from_utf8_lossy(&message.payload).into_owned(),
                        retained: message.retain,
                    }),
                    Ok(Event::Incoming(Incoming::SubAck(_))) => *grants.lock().unwrap() = true,
                    Ok(_) => {}
                    Err(_) => return,
                }
            }
        });
        wait_until(PATIENCE, "the broker grants the subscription", || *granted.lock().unwrap());
        Ear { heard, client }
    }

    pub fn heard(&self) -> Vec<Heard> {
        self.heard.lock().unwrap().clone()
    }

    /// What `topic` said so far, in order.
    pub fn on_topic(&self, topic: &str) -> Vec<String> {
        self.heard().into_iter().filter(|heard| heard.topic == topic).map(|heard| heard.payload).collect()
    }
}

impl Drop for Ear {
    fn drop(&mut self) {
        let _ = self.client.disconnect();
    }
}
