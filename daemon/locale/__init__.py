"""The translations of the catalogue, as gettext wants them: ``quietbench.pot`` and, by language, ``.po`` and ``.mo``.

``python -m quietbench.daemon.locale`` (``make messages``) brings them up to the catalogue after a change: new texts
are added with an empty translation, those that are gone are dropped, and the ``.mo`` files that programs read are
compiled. All of it is kept in the tree, so that neither packaging nor the watcher needs a compiler; a test fails when
one is stale or a text has no translation.
"""
