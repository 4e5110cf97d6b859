"""Signs hooks with the reference library of Standard Webhooks and has the program verify them, and the other
way round; spoils each of them too, and both sides must refuse it.

The library is `standardwebhooks` on PyPI, by the authors of the specification (version 1.0.0,
github.com/standard-webhooks/standard-webhooks). Run by tests/run, which names the folder of built examples in
FLEECEFOLD_EXAMPLES; by hand: FLEECEFOLD_EXAMPLES=target/debug/examples python tests/outside/hooks.py
"""

import base64
import os
import random
import subprocess
import sys
from datetime import datetime, timezone
from pathlib import Path

from standardwebhooks.webhooks import Webhook, WebhookVerificationError

MESSAGES = 400
SEED = 20260615


def theirs(secret: str, ident: str, seconds: int, signatures: str, body: bytes) -> bool:
    """Whether the reference library accepts it."""
    headers = {"webhook-id": ident, "webhook-timestamp": str(seconds), "webhook-signature": signatures}
    try:
        Webhook(secret).verify(body, headers, json_parse=False)
    except WebhookVerificationError:
        return False
    return True


def ask(commands: list[list[str]]) -> list[str]:
    """Passes all commands to the program at once."""
    program = Path(os.environ["FLEECEFOLD_EXAMPLES"]) / "hook_signature"
    lines = "".join("\t".join(command) + "\n" for command in commands)
    done = subprocess.run([program], input=lines, check=True, capture_output=True, text=True)
    answers = done.stdout.splitlines()
    assert len(answers) == len(commands), (len(answers), len(commands))
    return answers


def main() -> int:
    dice = random.Random(SEED)
    now = int(datetime.now(timezone.utc).timestamp())
    messages = []
    for at in range(MESSAGES):
        secret = "whsec_" + base64.b64encode(dice.randbytes(dice.randint(24, 64))).decode()
        text = "".join(dice.choice("abc äöü€🐑 \\n") for _ in range(dice.randint(0, 60)))
        body = f'{{"at": {at}, "text": "{text}"}}'.encode()
        messages.append((secret, f"msg_{at}_{dice.getrandbits(64):x}", now - dice.randint(0, 200), body))

    b64 = [base64.b64encode(body).decode() for *_, body in messages]
    ours = ask([["sign", s, i, str(t), b] for (s, i, t, _), b in zip(messages, b64)])
    wrong = 0
    asked, expected = [], []
    for (secret, ident, seconds, body), encoded, signature in zip(messages, b64, ours):
        at = datetime.fromtimestamp(seconds, timezone.utc)
        reference = Webhook(secret).sign(ident, at, body.decode())
        wrong += signature != reference
        wrong += not theirs(secret, ident, seconds, signature, body)
        # One bit of the signature, and one byte of the body, changed.
        raw = bytearray(base64.b64decode(reference[3:]))
        raw[dice.randrange(len(raw))] ^= 1 << dice.randrange(8)
        spoilt = "v1," + base64.b64encode(raw).decode()
        other_body = body + b" "
        other = base64.b64encode(other_body).decode()
        several = f"v2,AAAA {spoilt} {reference}"
        for signatures, sent, sent_body in (
            (reference, encoded, body), (spoilt, encoded, body), (several, encoded, body), (reference, other, other_body),
        ):
            asked.append(["verify", secret, ident, str(seconds), signatures, sent, str(now)])
            expected.append("yes" if theirs(secret, ident, seconds, signatures, sent_body) else "no")
    found = ask(asked)
    differ = [(command, f, e) for command, f, e in zip(asked, found, expected) if f != e]
    for command, f, e in differ[:10]:
        print(f"the program says {f} and the library {e}: {command}")
    believed = expected.count("yes")
    print(
        f"{MESSAGES} hooks signed by both, {wrong} of them differ; {len(asked)} verified by both, "
        f"{believed} believed, {len(differ)} differ"
    )
    return 0 if not wrong and not differ and believed == 2 * MESSAGES else 1


if __name__ == "__main__":
    sys.exit(main())
