package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"

	"airwarrant/functions/internal/sealed"
	"airwarrant/functions/internal/settings"
	"airwarrant/functions/internal/store/cloud"
	"airwarrant/functions/internal/store/local"
	"airwarrant/qualify/casework"
)

// storeFlags are the flags that name the store of a command.
type storeFlags struct {
	data, keyFile, table, bucket *string
}

// add adds the flags of a store on this machine, and with cloud those of one
// without a server.
func (s *storeFlags) add(fs *flag.FlagSet, cloud bool) {
	s.data = fs.String("data", "", "folder of the store")
	s.keyFile = fs.String("key-file", "", "file of the key that the store is encrypted by")
	s.table, s.bucket = new(string), new(string)
	if cloud {
		fs.StringVar(s.table, "table", "", "table of a store without a server")
		fs.StringVar(s.bucket, "bucket", "", "bucket of a store without a server")
	}
}

// opened is a store with its end.
type opened interface {
	casework.Store
	Close() error
	// VerifyAll checks everything, as casework.Audit does and further where the
	// store can.
	VerifyAll(ctx context.Context) (*casework.Report, error)
}

// dir is the folder of the store on this machine.
func (s *storeFlags) dir() (string, error) {
	if *s.data != "" {
		return *s.data, nil
	}
	return defaultData()
}

// key is that of the key file, nil for none.
func (s *storeFlags) key() (*sealed.Key, error) { return keyOf(*s.keyFile) }

func keyOf(file string) (*sealed.Key, error) {
	if file == "" {
		return nil, nil
	}
	return sealed.ReadKeyFile(file)
}

// elsewhere reports whether the flags name a store without a server.
func (s *storeFlags) elsewhere() bool { return *s.table != "" || *s.bucket != "" }

// open opens the store that the flags name. One on this machine has to be
// there already, so that no command makes an empty one by a mistyped name.
func (s *storeFlags) open(ctx context.Context) (opened, error) { return s.openFor(ctx, false) }

// openFor is open that, with make, makes a missing store on this machine.
func (s *storeFlags) openFor(ctx context.Context, make bool) (opened, error) {
	if s.elsewhere() {
		if *s.data != "" || *s.keyFile != "" {
			return nil, errors.New("expected --data and --key-file, or --table and --bucket; found some of both: leave out one store")
		}
		return s.openCloud(ctx)
	}
	return s.openHere(make)
}

// openHere opens the store on this machine; with make one that is missing is
// made.
func (s *storeFlags) openHere(make bool) (*local.Store, error) {
	dir, err := s.dir()
	if err != nil {
		return nil, err
	}
	if _, err := os.Stat(dir); err != nil && !make {
		return nil, fmt.Errorf("%w; name the folder of the store with --data", err)
	}
	key, err := s.key()
	if err != nil {
		return nil, err
	}
	return local.OpenSealed(dir, key)
}

// cloudStore is a store without a server as commands use it.
type cloudStore struct{ *cloud.Store }

// Close does nothing: there is nothing to let go.
func (cloudStore) Close() error { return nil }

// VerifyAll is an audit.
func (s cloudStore) VerifyAll(ctx context.Context) (*casework.Report, error) {
	return casework.Audit(ctx, s)
}

// openCloud opens the store without a server. Region and credentials are what
// the environment says of whoever runs the command.
func (s *storeFlags) openCloud(ctx context.Context) (cloudStore, error) {
	if *s.table == "" || *s.bucket == "" {
		return cloudStore{}, errors.New("expected --table and --bucket, found one of them; the outputs of the deployment tell both")
	}
	store, err := cloud.Open(ctx, settings.Cloud(*s.table, *s.bucket))
	return cloudStore{store}, err
}

// words are the flags as another command takes them.
func (s *storeFlags) words() string {
	out := " --data " + *s.data
	if *s.keyFile != "" {
		out += " --key-file " + *s.keyFile
	}
	return out
}
