package cloud

import (
	"context"
	"fmt"

	"github.com/aws/aws-sdk-go-v2/service/secretsmanager"
)

// Secret returns the text of a secret that the platform keeps, by its name.
func Secret(ctx context.Context, name string) (string, error) {
	cfg, err := load(ctx)
	if err != nil {
		return "", err
	}
	out, err := secretsmanager.NewFromConfig(cfg).GetSecretValue(ctx, &secretsmanager.GetSecretValueInput{SecretId: &name})
	if err != nil {
		return "", failed(ctx, "reading a secret", err)
	}
	if out.SecretString == nil {
		return "", fmt.Errorf("reading a secret: expected one that holds text, found one that holds bytes; put text in it")
	}
	return *out.SecretString, nil
}
