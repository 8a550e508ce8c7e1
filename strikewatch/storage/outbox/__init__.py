"""What is to be sent: notifications, digests, and what became of each message.

`engine.lifecycle` and `engine.flood` decide; here their decisions are applied to rows, in the step's own transaction
and once a second. The database holds everything, so a restart changes nothing and another process may write.

- First a flood under way counts, then chattering, then whether a flood begins. What chattering holds back does not
  count for floods.
- A digest is sent when its flood is over and nothing more has come for 10 s, at the latest 10 min after the first
  alert it holds. Each alert is listed once; one listed as active is listed again in the next digest, when it has ended.
- `cleared` is sent only to those who received `raised`. An alert that rises to high priority while held, or after a
  digest listed it, is sent as `raised`.
- `raised` is sent again if a clear that was sent is refuted, by the rules for a new alert.
- Each message about an alert that a receiver accepts is newer than the last. When a digest is sent, it leaves out the
  alerts that got a message after it was queued. An alert with an undelivered message is sent alone, after that one.
  Only digests of one episode list an alert, and these keep their order.
- A delay counts from when an alert is seen; an alert that cleared sooner after its onset is not sent. High priority
  does not wait.
- What cannot be stored yet (the disk is full) is worked out in a transaction that is rolled back, and sent from
  memory under the id that it will be stored with.
"""
