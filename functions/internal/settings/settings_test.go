package settings

import (
	"strings"
	"testing"
	"time"
)

func TestRead(t *testing.T) {
	all := map[string]string{Table: "t", Bucket: "b", Host: "oxygen.example.org", Provider: "p", Retention: "3650"}
	for name := range Names {
		s, err := Read(name, func(k string) string { return all[k] })
		if err != nil || s.Cloud.Table != "t" || s.Cloud.Bucket != "b" {
			t.Errorf("%s: %+v, %v", name, s, err)
		}
		if name == "sweep" && s.Retention != 3650*24*time.Hour {
			t.Errorf("retention %s", s.Retention)
		}
		_, err = Read(name, func(string) string { return "" })
		for _, need := range Names[name] {
			if need != Provider && need != Region && (err == nil || !strings.Contains(err.Error(), need+": expected")) {
				t.Errorf("%s without %s: %v", name, need, err)
			}
		}
	}
	for key, value := range map[string]string{Host: "https://oxygen.example.org", Retention: "ten"} {
		for name, names := range Names {
			_, err := Read(name, func(k string) string {
				if k == key {
					return value
				}
				return all[k]
			})
			if told := strings.Contains(strings.Join(names, " "), key); told != (err != nil) {
				t.Errorf("%s with %s=%s: %v", name, key, value, err)
			}
		}
	}
	if _, err := Read("another", func(string) string { return "x" }); err == nil {
		t.Error("settings of no function")
	}
}
