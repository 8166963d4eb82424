"""Forms that the account's role may not post are switched off, with words, before a page leaves the server.

Public: locked.

What a role may do stands in one table (roles); here every form is held against it, so that no page offers a button
that would refuse. Where there are no accounts nothing changes.
"""

from __future__ import annotations

import html
import re

from endfeel.web.roles import ACTS, act_at, refusal_words

_FORM = re.compile(r'(<form\b[^>]*?\bmethod="post"[^>]*>)(.*?)</form>', re.S)
_ACTION = re.compile(r'\saction="([^"]*)"')


def locked(page: str, role: str) -> str:
    """The page's HTML with every form of which the role may not use the address inside a disabled fieldset.

    The first form of each act says who may; screen readers and the keyboard meet the others as disabled.
    """
    told: set[str] = set()

    def switched(found: re.Match[str]) -> str:
        action = _ACTION.search(found[1])
        act = act_at("POST", html.unescape(action[1]).partition("?")[0]) if action else None
        if act is None or act == "open" or role in ACTS[act]:
            return found[0]
        said = "" if act in told else f'<p class="small off-words">{html.escape(refusal_words(role, act))}</p>'
        told.add(act)
        return f'{found[1]}{said}<fieldset class="off" disabled>{found[2]}</fieldset></form>'

    return _FORM.sub(switched, page)
