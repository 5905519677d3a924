package deployment

import (
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/aws/aws-sdk-go-v2/aws"
	"github.com/aws/aws-sdk-go-v2/service/dynamodb/types"
	"github.com/awslabs/goformation/v7"
	"github.com/awslabs/goformation/v7/schema"
	"github.com/goccy/go-yaml"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"airwarrant/functions/internal/settings"
	"airwarrant/functions/internal/store/cloud"
	"airwarrant/qualify/casework"
	"airwarrant/web"
	"airwarrant/web/accounts"
	"airwarrant/web/provider"
)

const root = "../../.."

func load(t *testing.T) *Template {
	t.Helper()
	tpl, err := Load(filepath.Join(root, "template.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	return tpl
}

// The template is what the published schema of the platform's resources says,
// as goformation carries it: its parser finds wrong types, the schema of each
// resource misspelt properties.
func TestSchema(t *testing.T) {
	if _, err := goformation.Open(filepath.Join(root, "template.yaml")); err != nil {
		t.Fatal(err)
	}
	var whole struct {
		Definitions map[string]any `json:"definitions"`
	}
	if err := json.Unmarshal([]byte(schema.SamSchema), &whole); err != nil {
		t.Fatal(err)
	}
	compiled := map[string]*jsonschema.Schema{}
	check := func(name, kind string, properties map[string]any) error {
		s := compiled[kind]
		if s == nil {
			// Compiling all of it takes a minute; the part takes no time.
			part := map[string]any{}
			reach(whole.Definitions, kind, part)
			c := jsonschema.NewCompiler()
			err := c.AddResource("part.json", map[string]any{"definitions": part})
			if err == nil {
				s, err = c.Compile("part.json#/definitions/" + kind)
			}
			if err != nil {
				t.Fatalf("%s: no schema of %s: %v", name, kind, err)
			}
			compiled[kind] = s
		}
		data, err := json.Marshal(map[string]any{"Type": kind, "Properties": properties})
		if err != nil {
			t.Fatal(err)
		}
		v, err := jsonschema.UnmarshalJSON(strings.NewReader(string(data)))
		if err != nil {
			t.Fatal(err)
		}
		return s.Validate(v)
	}
	tpl := load(t)
	for name, r := range tpl.Resources {
		if err := check(name, r.Type, numbers(tpl, r.Properties).(map[string]any)); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	// The check itself tells a misspelt property, and a wrong type.
	for key, value := range map[string]any{"Runtme": "provided.al2023", "MemorySize": "big"} {
		bad := maps.Clone(tpl.Resources["Api"].Properties)
		bad[key] = value
		if check("Api", "AWS::Serverless::Function", bad) == nil {
			t.Errorf("a function with %s: %v passes the schema", key, value)
		}
	}
}

// reach collects a definition and all that it refers to.
func reach(from map[string]any, name string, into map[string]any) {
	if into[name] != nil || from[name] == nil {
		return
	}
	into[name] = from[name]
	var walk func(v any)
	walk = func(v any) {
		switch v := v.(type) {
		case map[string]any:
			if ref, ok := v["$ref"].(string); ok {
				reach(from, strings.TrimPrefix(ref, "#/definitions/"), into)
			}
			for _, w := range v {
				walk(w)
			}
		case []any:
			for _, w := range v {
				walk(w)
			}
		}
	}
	walk(from[name])
}

// numbers puts the default of a parameter that is a number in its place.
func numbers(tpl *Template, v any) any {
	switch v := v.(type) {
	case map[string]any:
		out := map[string]any{}
		for k, w := range v {
			out[k] = numbers(tpl, w)
		}
		return out
	case []any:
		out := make([]any, len(v))
		for i, w := range v {
			out[i] = numbers(tpl, w)
		}
		return out
	case string:
		if p := tpl.Parameters[strings.TrimSuffix(strings.TrimPrefix(v, "${"), "}")]; p != nil && p["Type"] == "Number" {
			return p["Default"]
		}
	}
	return v
}

// Whatever is referred to is there.
func TestReferences(t *testing.T) {
	tpl := load(t)
	known := map[string]bool{"AWS::Partition": true, "AWS::AccountId": true, "AWS::StackName": true, "AWS::Region": true}
	for name := range tpl.Parameters {
		known[name] = true
	}
	for name := range tpl.Resources {
		known[name] = true
	}
	used := map[string]bool{}
	var walk func(where string, v any)
	walk = func(where string, v any) {
		switch v := v.(type) {
		case map[string]any:
			for k, w := range v {
				walk(where+"."+k, w)
			}
		case []any:
			for _, w := range v {
				walk(where, w)
			}
		case string:
			for rest := v; ; {
				_, after, ok := strings.Cut(rest, "${")
				if !ok {
					break
				}
				name, tail, _ := strings.Cut(after, "}")
				rest = tail
				name, _, _ = strings.Cut(name, ".")
				used[name] = true
				if !known[name] {
					t.Errorf("%s refers to %s, which is nowhere", where, name)
				}
			}
		}
	}
	for name, r := range tpl.Resources {
		walk(name, r.Properties)
	}
	for name, o := range tpl.Outputs {
		walk("output "+name, o["Value"])
	}
	for name := range tpl.Parameters {
		if !used[name] {
			t.Errorf("parameter %s is used nowhere", name)
		}
	}
	if len(tpl.Outputs) == 0 {
		t.Error("no outputs")
	}
}

// Nothing is allowed or denied by a wildcard, but for the objects of one kind
// in the bucket, which have no other name, and the policy of the key.
func TestNoWildcards(t *testing.T) {
	tpl := load(t)
	n := 0
	for name, r := range tpl.Resources {
		if r.Type == "AWS::KMS::Key" {
			continue
		}
		for _, s := range Statements(name, r.Properties) {
			n++
			if fault := wild(s); fault != "" {
				t.Errorf("%s: %s", name, fault)
			}
		}
		for _, key := range []string{"ManagedPolicyArns", "Policies"} {
			if r.Type == "AWS::Serverless::Function" && r.Properties[key] != nil {
				t.Errorf("%s: policies of others, which may hold wildcards; write them into its role", name)
			}
		}
		if r.Type == "AWS::IAM::Role" && r.Properties["ManagedPolicyArns"] != nil {
			t.Errorf("%s: policies of others, which may hold wildcards", name)
		}
	}
	if n < 20 {
		t.Errorf("%d statements were looked at", n)
	}
	for _, s := range []Statement{
		{"x", "Allow", []string{"s3:*"}, []string{"arn:aws:s3:::b"}}, {"x", "Allow", []string{"s3:Get*"}, []string{"arn:aws:s3:::b"}},
		{"x", "Allow", []string{"s3:GetObject"}, []string{"*"}}, {"x", "Allow", []string{"dynamodb:Query"}, []string{"${Table.Arn}/index/*"}},
		{"x", "Allow", []string{"s3:GetObject"}, []string{"arn:${AWS::Partition}:s3:::${AWS::StackName}-${AWS::AccountId}/*"}},
	} {
		if wild(s) == "" {
			t.Errorf("%+v passes", s)
		}
	}
}

func wild(s Statement) string {
	for _, a := range s.Actions {
		if strings.Contains(a, "*") {
			return "action " + a
		}
	}
	for _, r := range s.Resources {
		prefix, object := strings.CutSuffix(r, "/*")
		if object && strings.Contains(r, ":s3:::") && (strings.HasSuffix(prefix, "/uploads") || strings.HasSuffix(prefix, "/arrivals")) {
			r = prefix
		}
		if strings.Contains(r, "*") {
			return "resource " + r
		}
	}
	return ""
}

// There is a function for each command that is not the local one, each told
// what its settings ask for, with its own log, role and alarms.
func TestFunctions(t *testing.T) {
	tpl := load(t)
	folders, err := filepath.Glob(filepath.Join(root, "functions", "*", "main.go"))
	if err != nil {
		t.Fatal(err)
	}
	var want []string
	for _, f := range folders {
		if name := filepath.Base(filepath.Dir(f)); name != "local" {
			want = append(want, name)
		}
	}
	functions := tpl.Functions()
	if got := slices.Sorted(maps.Keys(functions)); !slices.Equal(got, want) {
		t.Fatalf("functions %q, commands %q", got, want)
	}
	makefile, err := os.ReadFile(filepath.Join(root, "Makefile"))
	if err != nil {
		t.Fatal(err)
	}
	roles := map[any]bool{}
	for name, f := range functions {
		told, _ := At(f.Properties, "Environment", "Variables").(map[string]any)
		names := slices.Sorted(maps.Keys(told))
		need := slices.Sorted(slices.Values(settings.Names[name]))
		if !slices.Equal(names, need) {
			t.Errorf("%s is told %q, and reads %q", name, names, need)
		}
		for key, value := range map[string]string{settings.Table: "${Table}", settings.Bucket: fmt.Sprint(tpl.Resources["Bucket"].Properties["BucketName"]), settings.Host: "${Domain}", settings.Provider: "${SignIn}", settings.Region: "${CriteriaRegion}", settings.Retention: "${RetentionDays}"} {
			if told[key] != nil && told[key] != value {
				t.Errorf("%s: %s is %v, want %s", name, key, told[key], value)
			}
		}
		if f.Properties["CodeUri"] != ".build/functions/"+name || !strings.Contains(string(makefile), " "+name) {
			t.Errorf("%s: the code is at %v", name, f.Properties["CodeUri"])
		}
		log := upper(name) + "Log"
		group := tpl.Resources[log].Properties
		if f.Properties["FunctionName"] == nil || group["LogGroupName"] != fmt.Sprint("/aws/lambda/", f.Properties["FunctionName"]) || group["RetentionInDays"] == nil {
			t.Errorf("%s writes its log to %v, which has no end", name, group)
		}
		if may, err := tpl.May(name); err != nil || !slices.Contains(may, "logs:PutLogEvents ${"+log+".Arn}") {
			t.Errorf("%s may not write its log: %v", name, err)
		}
		if roles[f.Properties["Role"]] {
			t.Errorf("%s shares its role", name)
		}
		roles[f.Properties["Role"]] = true
		if name != "api" {
			failures := tpl.Resources[upper(name)+"Failures"].Properties
			if at := At(failures, "DestinationConfig", "OnFailure", "Destination"); at != "${FailedEvents.Arn}" || failures["FunctionName"] != "${"+upper(name)+"}" {
				t.Errorf("%s: events that failed go to %v", name, at)
			}
			if may, err := tpl.May(name); err != nil || !slices.Contains(may, "sqs:SendMessage ${FailedEvents.Arn}") {
				t.Errorf("%s may not send its failed events there: %v", name, err)
			}
		}
		for _, metric := range []string{"Errors", "Throttles"} {
			if !alarmed(tpl, metric, "${"+upper(name)+"}") {
				t.Errorf("%s: no alarm on %s", name, metric)
			}
		}
	}
	if !alarmed(tpl, "5xx", "${Site}") || !alarmed(tpl, "WriteThrottleEvents", "${Table}") {
		t.Error("no alarm on pages that fail, or on what the table does not take")
	}
	if !alarmed(tpl, "ApproximateAgeOfOldestMessage", "${FailedEvents.QueueName}") {
		t.Error("no alarm on the age of failed events")
	}
	if g := At(functions["analyze"].Properties, "Events", "Arrival", "Properties", "Filter", "S3Key", "Rules", 0, "Value"); g != cloud.ArrivalsPrefix {
		t.Errorf("analyze is told of %v, files arrive under %s", g, cloud.ArrivalsPrefix)
	}
}

func upper(name string) string { return strings.ToUpper(name[:1]) + name[1:] }

func alarmed(tpl *Template, metric, of string) bool {
	for _, r := range tpl.Resources {
		if r.Type == "AWS::CloudWatch::Alarm" && r.Properties["MetricName"] == metric && At(r.Properties, "Dimensions", 0, "Value") == of &&
			reflect.DeepEqual(r.Properties["AlarmActions"], []any{"${Alarms}"}) {
			return true
		}
	}
	return false
}

// Every address reaches the function, and those that are held back further
// are addresses of the site: all at which a password or a code is tried.
func TestRoutes(t *testing.T) {
	tpl := load(t)
	const arn = "arn:${AWS::Partition}:execute-api:${AWS::Region}:${AWS::AccountId}:${Site}/$default/"
	allowed := map[string]bool{}
	for _, r := range tpl.Resources {
		if r.Type == "AWS::Lambda::Permission" && r.Properties["FunctionName"] == "${Api}" {
			allowed[strings.TrimPrefix(fmt.Sprint(r.Properties["SourceArn"]), arn)] = true
		}
	}
	var keys []string
	for name, r := range tpl.Resources {
		if r.Type != "AWS::ApiGatewayV2::Route" {
			continue
		}
		key := fmt.Sprint(r.Properties["RouteKey"])
		keys = append(keys, key)
		if r.Properties["ApiId"] != "${Site}" || r.Properties["Target"] != "integrations/${SiteIntegration}" {
			t.Errorf("%s leads elsewhere: %v", name, r.Properties)
		}
		if !allowed[strings.Replace(key, " ", "", 1)] {
			t.Errorf("%s may not call the function", name)
		}
	}
	if uri := tpl.Resources["SiteIntegration"].Properties["IntegrationUri"]; uri != "${Api.Arn}" {
		t.Errorf("the API calls %v", uri)
	}
	slices.Sort(keys)
	routes := map[string]bool{}
	want := []string{"$default", "POST /sign-in"} // what no other route takes, and passwords
	for _, r := range web.Routes() {
		routes[r.Method+" "+r.Path] = true
		if r.Code {
			want = append(want, r.Method+" "+r.Path)
		}
	}
	slices.Sort(want)
	if !slices.Equal(keys, want) || len(allowed) != len(keys) {
		t.Errorf("routes %q, want %q; %d of them may call the function", keys, want, len(allowed))
	}
	stage := tpl.Resources["SiteStage"].Properties
	slow, _ := stage["RouteSettings"].(map[string]any)
	all, one := At(stage, "DefaultRouteSettings", "ThrottlingRateLimit"), any(nil)
	for _, key := range want[1:] {
		if one = At(slow[key], "ThrottlingRateLimit"); !routes[key] || one == nil {
			t.Errorf("%s: an address of the site %t, held back to %v a second", key, routes[key], one)
		}
	}
	if all == nil || len(slow) != len(want)-1 {
		t.Errorf("the API is held back to %v a second, %d routes further", all, len(slow))
	}
	if format := fmt.Sprint(At(stage, "AccessLogSettings", "Format")); strings.Contains(strings.ToLower(format), "path") {
		t.Errorf("the log of accesses holds paths, and those of links hold secrets: %s", format)
	}
}

// The table is the one that the store lies in, and is kept as it has to be.
func TestTable(t *testing.T) {
	r := load(t).Resources["Table"]
	p, want := r.Properties, cloud.Table("t")
	keys := func(v any) (out []types.KeySchemaElement) {
		list, _ := v.([]any)
		for _, k := range list {
			out = append(out, types.KeySchemaElement{AttributeName: aws.String(fmt.Sprint(At(k, "AttributeName"))), KeyType: types.KeyType(fmt.Sprint(At(k, "KeyType")))})
		}
		return out
	}
	if !reflect.DeepEqual(keys(p["KeySchema"]), want.KeySchema) {
		t.Errorf("keys %v", p["KeySchema"])
	}
	attributes := map[string]string{}
	for _, a := range p["AttributeDefinitions"].([]any) {
		attributes[fmt.Sprint(At(a, "AttributeName"))] = fmt.Sprint(At(a, "AttributeType"))
	}
	wanted := map[string]string{}
	for _, a := range want.AttributeDefinitions {
		wanted[*a.AttributeName] = string(a.AttributeType)
	}
	if !maps.Equal(attributes, wanted) {
		t.Errorf("attributes %v, want %v", attributes, wanted)
	}
	indexes := p["GlobalSecondaryIndexes"].([]any)
	if len(indexes) != len(want.GlobalSecondaryIndexes) {
		t.Fatalf("%d indexes, want %d", len(indexes), len(want.GlobalSecondaryIndexes))
	}
	for i, w := range want.GlobalSecondaryIndexes {
		got := indexes[i]
		others := texts(At(got, "Projection", "NonKeyAttributes"))
		slices.Sort(others)
		need := slices.Sorted(slices.Values(w.Projection.NonKeyAttributes))
		if At(got, "IndexName") != *w.IndexName || !reflect.DeepEqual(keys(At(got, "KeySchema")), w.KeySchema) || !slices.Equal(others, need) || At(got, "Projection", "ProjectionType") != string(w.Projection.ProjectionType) {
			t.Errorf("index %d is %v", i, got)
		}
	}
	for _, need := range []struct {
		path []any
		want any
	}{
		{[]any{"BillingMode"}, "PAY_PER_REQUEST"}, {[]any{"DeletionProtectionEnabled"}, true},
		{[]any{"PointInTimeRecoverySpecification", "PointInTimeRecoveryEnabled"}, true},
		{[]any{"SSESpecification", "SSEEnabled"}, true}, {[]any{"SSESpecification", "KMSMasterKeyId"}, "${EncryptionKey}"},
		{[]any{"TimeToLiveSpecification", "AttributeName"}, cloud.EndsAttribute}, {[]any{"TimeToLiveSpecification", "Enabled"}, true},
	} {
		if got := At(p, need.path...); got != need.want {
			t.Errorf("%v is %v, want %v", need.path, got, need.want)
		}
	}
}

// The bucket lets nobody in from outside, keeps versions, encrypts, and takes
// forms from the site's pages alone.
func TestBucket(t *testing.T) {
	tpl := load(t)
	p := tpl.Resources["Bucket"].Properties
	for _, need := range []struct {
		path []any
		want any
	}{
		{[]any{"PublicAccessBlockConfiguration", "BlockPublicAcls"}, true}, {[]any{"PublicAccessBlockConfiguration", "BlockPublicPolicy"}, true},
		{[]any{"PublicAccessBlockConfiguration", "IgnorePublicAcls"}, true}, {[]any{"PublicAccessBlockConfiguration", "RestrictPublicBuckets"}, true},
		{[]any{"VersioningConfiguration", "Status"}, "Enabled"},
		{[]any{"BucketEncryption", "ServerSideEncryptionConfiguration", 0, "ServerSideEncryptionByDefault", "SSEAlgorithm"}, "aws:kms"},
		{[]any{"CorsConfiguration", "CorsRules", 0, "AllowedOrigins", 0}, "https://${Domain}"},
		{[]any{"LifecycleConfiguration", "Rules", 0, "Prefix"}, cloud.ArrivalsPrefix},
		{[]any{"LifecycleConfiguration", "Rules", 0, "ExpirationInDays"}, uint64(1)},
		{[]any{"LifecycleConfiguration", "Rules", 1, "Prefix"}, "uploads/"},
	} {
		if got := At(p, need.path...); !reflect.DeepEqual(got, need.want) {
			t.Errorf("%v is %v (%T), want %v", need.path, got, got, need.want)
		}
	}
	rules, _ := At(p, "CorsConfiguration", "CorsRules").([]any)
	origins, _ := At(p, "CorsConfiguration", "CorsRules", 0, "AllowedOrigins").([]any)
	if len(rules) != 1 || len(origins) != 1 {
		t.Errorf("%d rules for other origins, %d origins", len(rules), len(origins))
	}
	for _, name := range []string{"Bucket", "Table", "EncryptionKey", "UserPool"} {
		if r := tpl.Resources[name]; r.DeletionPolicy != "Retain" || r.UpdateReplacePolicy != "Retain" {
			t.Errorf("%s goes with the deployment", name)
		}
	}
}

// The secret holds settings that the sign-in takes, with a group for each
// role of the supplier, and the provider sends browsers back to the site.
func TestSignIn(t *testing.T) {
	tpl := load(t)
	text := fmt.Sprint(tpl.Resources["SignIn"].Properties["SecretString"])
	text = strings.NewReplacer("${AWS::Region}", "us-east-1", "${UserPool}", "pool", "${UserPoolClient}", "client", "${UserPoolClient.ClientSecret}", "secret", "${Domain}", "oxygen.example.org").Replace(text)
	set, err := provider.ReadSettings(strings.NewReader(text))
	if err != nil {
		t.Fatalf("%v in %s", err, text)
	}
	p, err := provider.New(set)
	if err != nil {
		t.Fatal(err)
	}
	if p.Host() != "oxygen.example.org" {
		t.Errorf("host %q", p.Host())
	}
	groups := map[string]bool{}
	for _, r := range tpl.Resources {
		if r.Type == "AWS::Cognito::UserPoolGroup" {
			groups[fmt.Sprint(r.Properties["GroupName"])] = true
		}
	}
	for _, role := range accounts.Roles {
		if ours := role != casework.RoleOffice; groups[string(role)] != ours || (set.Roles[string(role)] == string(role)) != ours {
			t.Errorf("role %s: group %t, in the settings %q", role, groups[string(role)], set.Roles[string(role)])
		}
	}
	if len(groups) != len(set.Roles) {
		t.Errorf("groups %v, roles %v", groups, set.Roles)
	}
	if back := At(tpl.Resources["UserPoolClient"].Properties, "CallbackURLs", 0); back != "https://${Domain}"+provider.ReturnPath {
		t.Errorf("browsers come back to %v", back)
	}
	if !slices.ContainsFunc(web.Routes(), func(r web.Route) bool { return r.Method == http.MethodGet && r.Path == provider.ReturnPath }) {
		t.Errorf("the site has no %s", provider.ReturnPath)
	}
	if may, err := tpl.May("api"); err != nil || !slices.Contains(may, "secretsmanager:GetSecretValue ${SignIn}") {
		t.Errorf("api may not read the secret: %v", err)
	}
}

// The permissions of each function, as a table: go test -v prints it. That
// none is missing the end-to-end test shows.
func TestPermissions(t *testing.T) {
	tpl := load(t)
	for name := range tpl.Functions() {
		may, err := tpl.May(name)
		if err != nil || len(may) == 0 {
			t.Errorf("%s: %v", name, err)
		}
		t.Logf("%s\n  %s", name, strings.Join(may, "\n  "))
		for _, m := range may {
			// Only what ends retention removes uploads for good.
			if strings.HasPrefix(m, "s3:Delete") && strings.Contains(m, "/uploads/") && name != "sweep" {
				t.Errorf("%s may remove uploads", name)
			}
		}
	}
}

// The template is plain YAML: no tag and no alias that a reader has to know.
func TestPlain(t *testing.T) {
	data, err := os.ReadFile(filepath.Join(root, "template.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	var v any
	if err := yaml.Unmarshal(data, &v); err != nil {
		t.Fatal(err)
	}
	for i, line := range strings.Split(string(data), "\n") {
		if code := strings.TrimSpace(line); !strings.HasPrefix(code, "#") && (strings.Contains(code, ": !") || strings.Contains(code, ": *") || strings.Contains(code, ": &") || strings.Contains(code, "- *") || strings.Contains(code, "- &")) {
			t.Errorf("line %d: a tag or an alias: %s", i+1, code)
		}
	}
}
