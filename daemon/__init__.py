"""The running program: settings, service loop, store, alarms, notifier, scheduler, page, command line."""
