"""The terminal's screens: what is shown, the keys that answer, and the app that ties them together.

Imports runtime's driver, presentation, core's table of signals, config, model and below; neither report, web nor commands.
Inside, from the top: app; page, key hints, help and the reader of the past; screens; frame, widgets and keys;
view; queries, history, bell, dialogs and drawing. Begin with `page.draw_page`, then one screen (`screens.drive`) and `app`.
"""
