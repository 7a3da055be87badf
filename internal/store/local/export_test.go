package local

// UnsyncedFolds is for tests that crash by copying files, not by cutting power:
// their folds need not be synced.
func UnsyncedFolds(o Options) Options {
	o.unsynced = true
	return o
}
